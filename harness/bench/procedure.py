"""A procedure as a value: a function of a Bench, and the parameters that it has beyond that."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path


@dataclass(frozen=True)
class Procedure:
    """A function that drives a Bench, with its parameters beyond the Bench itself."""

    name: str
    function: Callable[..., None]
    parameters: tuple[inspect.Parameter, ...]
    file: Path | None = None
    """Where it stands, if it was given as a file."""
    takes_lots: bool = False
    """Whether it drives a LotBench: item after item by serial number, at one open station."""
    told_by: str = ""
    """Command that tells what its runs say together; empty where each stands by itself."""

    @cached_property
    def told(self) -> Told:
        """What its docstring says."""
        text = inspect.getdoc(self.function) or ""
        return read_told(text, [parameter.name for parameter in self.parameters])


@dataclass(frozen=True)
class Told:
    """The docstring of a procedure: the whole, and each parameter."""

    whole: str
    of: Mapping[str, str]
    """By the name of the parameter; those that the docstring is silent about are not there."""

    @property
    def summary(self) -> str:
        """Its first paragraph, in one line."""
        return " ".join(self.whole.partition("\n\n")[0].split())


def read_told(text: str, parameters: Collection[str]) -> Told:
    """Take the lines that tell of a parameter out of a docstring.

    Such a line begins with the parameter's name and a colon, as in `sweeps: of every band, at each
    insertion`; what follows up to the next such line or an empty one belongs to it.
    """
    whole: list[str] = []
    of: dict[str, list[str]] = {}
    name = ""
    for line in text.split("\n"):
        first, colon, rest = line.strip().partition(":")
        if colon and first in parameters:
            name = first
            of[name] = [rest]
        elif not line.strip():
            name = ""
            whole.append("")
        elif name:
            of[name].append(line)
        else:
            whole.append(line)
    told = {key: " ".join(" ".join(lines).split()) for key, lines in of.items()}
    return Told("\n".join(whole).strip(), told)
