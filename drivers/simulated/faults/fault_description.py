"""Wire faults in a bench description: the tables [[faults]] and [random_faults]."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated

from pydantic import AfterValidator, Field, model_validator

from drivers.quantities import TimeS
from drivers.toml_file import Table, nearest

if TYPE_CHECKING:
    from drivers.simulated.faults.fault_kinds import FaultKind, Value

LARGEST_COUNT = 1_000_000
"""Of bytes, numbers or points: more than any answer has, less than what hurts the process."""
LONGEST_INTERVAL_S = 60.0

HAND = "hand"
"""The simulated hand is never faulty: it is how faults are asked for."""


def _kinds() -> Mapping[str, FaultKind]:
    """The faults that there are; they bring the whole engine, which most descriptions need not."""
    from drivers.simulated.faults.fault_kinds import KINDS

    return KINDS


def _known_kind(name: str) -> str:
    kinds = _kinds()
    if name not in kinds:
        raise ValueError(f"there is no fault {name!r}; {nearest(name, list(kinds))}")
    return name


def _not_the_hand(name: str) -> str:
    if name == HAND:
        raise ValueError("the hand is never faulty: name an instrument")
    return name


_HEADER = re.compile(r"(?:\*[A-Za-z]\w*|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*)\??", re.ASCII)


def _header_alone(text: str) -> str:
    if text and not _HEADER.fullmatch(text):
        raise ValueError(
            f"{text!r} is not a header alone: write it like 'TRACe:DATA?', without parameters"
        )
    return text


def _says_something(text: str) -> str:
    if not text.strip() or not text.isascii() or "\n" in text:
        raise ValueError(f"{text!r} is not a message in ASCII, on one line, such as '*RST'")
    return text


KindName = Annotated[str, AfterValidator(_known_kind)]
InstrumentName = Annotated[str, AfterValidator(_not_the_hand)]


class DescribedFault(Table):
    """One fault, and when it strikes: at the first message or answer that it can act on."""

    instrument: InstrumentName
    kind: KindName
    on: Annotated[str, AfterValidator(_header_alone)] = ""
    """Only at messages with this header, in any of its spellings, such as `TRACe:DATA?`."""
    nth: int = Field(default=1, ge=1)
    """From the nth message on, of those with this header."""
    after_messages: int = Field(default=0, ge=0)
    """Only after the instrument has had so many messages."""
    count: int = Field(default=1, ge=0)
    """How often it strikes; 0 means until it is cleared."""
    interval_s: TimeS | None = Field(default=None, alias="interval", ge=0, le=LONGEST_INTERVAL_S)
    bytes: int | None = Field(default=None, ge=-LARGEST_COUNT, le=LARGEST_COUNT)
    points: int | None = Field(default=None, ge=1, le=LARGEST_COUNT)
    numbers: int | None = Field(default=None, ge=-LARGEST_COUNT, le=LARGEST_COUNT)
    limit: float | None = Field(default=None, allow_inf_nan=False)
    """In the setting's own unit: hertz, seconds, dBm."""
    says: Annotated[str, AfterValidator(_says_something)] | None = None

    @model_validator(mode="after")
    def _parameters_fit(self) -> DescribedFault:
        known = _kinds()[self.kind].defaults
        wrong = [name for name in self._given() if name not in known]
        if wrong:
            takes = ", ".join(known) or "no parameter"
            raise ValueError(f"{self.kind} has no {wrong[0]!r}; it takes {takes}")
        if self.bytes is not None and self.bytes < 1 and self.kind != "wrong-length":
            raise ValueError(f"{self.kind} needs at least one byte, got {self.bytes}")
        if self.bytes == 0 or self.numbers == 0:
            raise ValueError(
                f"{self.kind} changes nothing with 0; state how many, or how many less"
            )
        return self

    def _given(self) -> dict[str, Value]:
        stated = {
            "interval": self.interval_s, "bytes": self.bytes, "points": self.points,
            "numbers": self.numbers, "limit": self.limit, "says": self.says,
        }  # fmt: skip
        return {name: value for name, value in stated.items() if value is not None}

    @property
    def parameters(self) -> dict[str, Value]:
        """The parameters of its kind, as given or by default."""
        return {**_kinds()[self.kind].defaults, **self._given()}


class RandomFaults(Table):
    """Faults at random; the same seed and the same messages give the same faults."""

    probability: float = Field(ge=0, le=1)
    """Of a fault at each message. One that cannot act there (a wrong block where there is none)
    passes unseen."""
    kinds: tuple[KindName, ...] = Field(default_factory=lambda: tuple(_kinds()))
    instruments: tuple[InstrumentName, ...] = ()
    """All but the hand where none is named."""
    seed: int | None = Field(default=None, ge=0)
    """The bench's where none is given."""
