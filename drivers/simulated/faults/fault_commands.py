"""The hand's commands for faults: arm one at the right instant, see what happened.

    FAULt:ARM "analyzer","silence"                          strikes at the next answer
    FAULt:ARM "analyzer","wrong-length","on=TRACe:DATA?","bytes=-8","count=2"
    FAULt:CLEar                                             none strikes any more
    FAULt:CATalog?                                          the kinds, and what a client sees
    FAULt:ARMed?                                            what waits for its moment
    FAULt:LOG?                                              the last that struck

The texts behind the kind are the keys of a `[[faults]]` table.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pydantic import ValidationError

from drivers.simulated.faults.fault_description import DescribedFault
from drivers.simulated.faults.fault_kinds import KINDS
from drivers.simulated.faults.fault_layer import FaultLayer
from drivers.simulated.scpi import Command, Declaration, Query, Quoted, ScpiError, Text
from drivers.toml_file import problem

__all__ = ["catalogue", "fault_commands"]

_ILLEGAL_VALUE = -224


def catalogue() -> list[str]:
    """The kinds of faults, one text each: name, parameters with their defaults, what is seen."""
    return [
        f"{kind.name}{''.join(f' {key}={value}' for key, value in kind.defaults.items())}: "
        f"{kind.sees}"
        for kind in KINDS.values()
    ]


def fault_commands(layer: FaultLayer) -> Iterator[Declaration]:
    """Declare the commands by which faults are asked for."""

    def arm(instrument: str, kind: str, *options: str) -> None:
        try:
            layer.arm(_fault(instrument, kind, options))
        except ValidationError as error:
            problems = "; ".join(
                ": ".join(
                    filter(None, (".".join(map(str, e["loc"])), problem(DescribedFault, dict(e))))
                )
                for e in error.errors()
            )
            raise ScpiError(_ILLEGAL_VALUE, problems) from error
        except ValueError as error:
            raise ScpiError(_ILLEGAL_VALUE, str(error)) from error

    yield Command("FAULt:ARM", arm, (Text(), Text(), Text()), optional=1, repeat_last=True)
    yield Command("FAULt:CLEar", layer.clear)
    yield Query("FAULt:CATalog", lambda: _quoted(catalogue()))
    yield Query("FAULt:ARMed", lambda: _quoted(layer.armed()))
    yield Query("FAULt:LOG", lambda: _quoted(layer.log))


def _fault(instrument: str, kind: str, options: Sequence[str]) -> DescribedFault:
    pairs = [option.partition("=") for option in options]
    wrong = [key for key, equals, _ in pairs if not equals]
    if wrong:
        raise ValueError(f"{wrong[0]!r} is not of the form key=value, such as count=2")
    stated = {key.strip(): value.strip() for key, _, value in pairs}
    return DescribedFault.model_validate({"instrument": instrument, "kind": kind, **stated})


def _quoted(texts: Sequence[str]) -> tuple[Quoted, ...]:
    """Strings between commas; one empty string where there is none."""
    return tuple(map(Quoted, texts)) or (Quoted(""),)
