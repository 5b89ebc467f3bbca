"""When the ticks of a schedule are due, and what a late one costs: arithmetic only."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from drivers.errors import InputError
from drivers.quantities import RATIO_UNITS, TIME_UNITS, parse_quantity

FIRST_LOOK = 10
"""Ticks after which it is first asked whether the uncertainty is small enough."""
LOOK_GROWTH = 1.1
"""Looks so much further apart each time cost, together, no more than in proportion to the last."""
FIRST_PAUSE_S, LONGEST_PAUSE_S, PAUSE_GROWTH = 2.0, 60.0, 1.6

_MISSED = re.compile(r"\d+ ticks? missed, (\d+)(?: to (\d+))? \(")


@dataclass(frozen=True)
class Terms:
    """What a procedure asks of a schedule."""

    every_s: float
    lasting_s: float
    check_every_s: float | None
    """None: no checks of the zero in between."""
    until_db: float | None
    """Ends once the expanded uncertainty is at most this; None: not before its time."""
    patience_s: float
    """How long an instrument that fails is waited for."""


def read_terms(every: str, lasting: str, check_every: str, until: str, patience: str) -> Terms:
    """Terms from quantities with their units; an empty text asks for nothing.

    Raises:
        InputError: one cannot be read, or makes no schedule.
    """
    terms = Terms(
        every_s=_seconds("every", every),
        lasting_s=_seconds("lasting", lasting),
        check_every_s=_seconds("check_every", check_every) if check_every.strip() else None,
        until_db=_quantity("until", until, RATIO_UNITS, "0.05 dB") if until.strip() else None,
        patience_s=_seconds("patience", patience, may_be_none=True) if patience.strip() else 0.0,
    )
    if terms.lasting_s < terms.every_s:
        raise InputError(
            f"a schedule that lasts {lasting!r} has no room for a tick every {every!r}",
            hint="let it last longer, or make the interval shorter",
        )
    if terms.until_db is not None and terms.until_db <= 0.0:
        raise InputError(f"until {until!r} is never reached", hint="ask for more than 0 dB")
    return terms


def _seconds(name: str, text: str, *, may_be_none: bool = False) -> float:
    value = _quantity(name, text, TIME_UNITS, "1 min")
    if value < 0.0 or (value == 0.0 and not may_be_none):
        raise InputError(f"{name} {text!r} is no time to wait", hint="ask for more than 0 s")
    return value


def _quantity(name: str, text: str, units: dict[str, float], example: str) -> float:
    try:
        return parse_quantity(text, units, example)
    except ValueError as error:
        raise InputError(f"{name}: {error}") from error


@dataclass(frozen=True)
class Turn:
    """What is to be done next."""

    number: int | None
    """The tick, from 0; None: the schedule is over."""
    missed: int
    """Ticks before it, since the last one, of which each has been late by a whole interval."""


@dataclass(frozen=True)
class Schedule:
    """Ticks at `start + k every_s`, for k from 0, before `start + lasting_s`. Unix seconds."""

    start: float
    every_s: float
    lasting_s: float

    @property
    def ticks(self) -> int:
        """How many there are: as many intervals as begin within its time, but for rounding."""
        return max(1, math.ceil(self.lasting_s / self.every_s - 1e-9))

    @property
    def end(self) -> float:
        """When it is over."""
        return self.start + self.lasting_s

    def time_of(self, tick: int) -> float:
        """When a tick is due, whatever became of those before it."""
        return self.start + tick * self.every_s

    def tick_at(self, time: float) -> int:
        """The last tick that was due by a time; -1 before the first."""
        if time < self.start:
            return -1
        latest = math.floor((time - self.start) / self.every_s)
        # the quotient may be off by its rounding
        while self.time_of(latest + 1) <= time:
            latest += 1
        while self.time_of(latest) > time:
            latest -= 1
        return latest

    def turn(self, following: int, now: float) -> Turn:
        """Which tick comes next at `now`, where `following` is the first not yet seen to.

        One that is late by less than an interval is still made, at once.
        """
        number = max(following, self.tick_at(now))
        if number >= self.ticks:
            return Turn(None, self.ticks - min(following, self.ticks))
        return Turn(number, number - following)

    def missed_text(self, first: int, count: int, reason: str) -> str:
        """A sentence on ticks that were missed, counted from 1, with their times in UTC."""
        last = first + count - 1
        begin, end = (
            datetime.fromtimestamp(self.time_of(tick), tz=UTC).strftime("%H:%M:%S")
            for tick in (first, last)
        )
        if count == 1:
            return f"1 tick missed, {first + 1} ({begin} UTC): {reason}"
        return f"{count} ticks missed, {first + 1} to {last + 1} ({begin} to {end} UTC): {reason}"

    def next_check(self, check_every_s: float, now: float) -> float:
        """The first multiple of an interval of checks that is after `now`."""
        return self.start + check_every_s * (math.floor((now - self.start) / check_every_s) + 1)


def last_missed(text: str) -> int:
    """The last tick that a `missed_text` tells, from 0; -1 where it is none."""
    found = _MISSED.match(text)
    return -1 if found is None else int(found[2] or found[1]) - 1


def next_look(done: int) -> int:
    """After how many ticks to look next, where `done` were made."""
    return max(FIRST_LOOK, done + 1, math.ceil(done * LOOK_GROWTH))


def pauses_s() -> Iterator[float]:
    """Pauses between attempts, each longer than the one before, up to a longest."""
    pause_s = FIRST_PAUSE_S
    while True:
        yield pause_s
        pause_s = min(pause_s * PAUSE_GROWTH, LONGEST_PAUSE_S)
