"""A procedure as a value: a function of a Bench, and the parameters that it has beyond that."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass
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

    @property
    def summary(self) -> str:
        """First line of its docstring."""
        return (inspect.getdoc(self.function) or "").partition("\n")[0]
