"""What a Bench works with: whoever sweeps, connects, keeps and tells, and the time."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

from drivers.sweep import Sweep, SweepSettings
from harness.bench.connection_judge import ConnectionJudge
from harness.bench.storing import Journal


class Sweeper(Protocol):
    """What the Bench needs of whatever sweeps; see `drivers.sweep.SweepSource`."""

    @property
    def traces(self) -> tuple[str, ...]:
        """What every sweep of it holds."""

    def configure(self, settings: SweepSettings) -> None:
        """Set a band up."""

    def sweep(self) -> Sweep:
        """One sweep of the band."""

    def rf_on(self) -> None:
        """Source on."""

    def rf_off(self) -> None:
        """Source off."""

    def recover(self) -> None:
        """Start afresh after trouble, with RF off."""

    def confirm(self) -> None:
        """Make sure that the settings are still those of the band."""

    def make_safe(self) -> None:
        """RF off, whatever state the connection is in."""


class Exchange(Protocol):
    """Whoever makes the connections: a person, or the simulated bench."""

    def connect_through(self, *, again: bool) -> None:
        """Join the leads, afresh."""

    def connect_item(self, item: str, insertion: int, of: int) -> None:
        """Put the item between the leads, afresh."""

    def finish(self) -> None:
        """Leave the leads open."""

    @property
    def needs_a_person(self) -> bool:
        """Whether somebody has to be there for a change of connections."""


class Progress(Protocol):
    """Who is told how far the work is."""

    def doing(self, what: str) -> None:
        """What is being done from now on."""

    def at(self, place: str) -> None:
        """Where in that the work is, such as a tick of a schedule."""

    def sweep_done(self) -> None:
        """One more sweep is safely kept."""

    def sweeps_again(self, count: int) -> None:
        """So many sweeps that are kept must be made once more."""

    def say(self, text: str) -> None:
        """Something that people must know before they go on."""


def _no_waiting(until: float) -> None:
    raise AssertionError("who waits for a time needs equipment that has one")


@dataclass(frozen=True)
class Equipment:
    """What a Bench works with; a rehearsal brings stand-ins that only count."""

    source: Sweeper
    exchange: Exchange
    journal: Journal
    progress: Progress
    clock: Callable[[], float]
    unbroken: Callable[[], AbstractContextManager[None]]
    """A section that a stop signal must not break into."""
    floor_db: float
    """The ratio at which the receiver reads nothing but itself."""
    settling_db: float = math.inf
    """Most that one connection changes from sweep to sweep, beyond noise; inf: not judged."""
    oldest_zero_s: float | None = None
    """Longest time from a check of the zero to a sweep of the item; None: not stated."""
    has_readings: bool = True
    """False in a rehearsal, whose sweeps hold nothing to look at."""
    wait_until: Callable[[float], None] = _no_waiting
    """Returns at a time (Unix s) of `clock`, at once if that is past."""
    temperature_c: Callable[[], float] | None = None
    """Asks the thermometer, °C; None where the station has none. Raises `InstrumentError`."""
    uncertainty_db: Callable[[], float] | None = None
    """Largest U of all bands by what is kept so far; inf while nothing can be said."""
    judge: ConnectionJudge | None = None
    """Says what a connection reads like; None: every connection is believed."""
    is_sure: Callable[[str, str], bool] | None = None
    """Asks a person about a doubt of an item, or of the through where that is empty: True where it
    is as it should be, False where it was connected anew; None where there is nobody to ask."""
    require_file: Callable[[], None] = lambda: None
    """Raises `RunFileError` where the run file is no longer where it was."""
    reconnections: Callable[[], list[str]] = list
    """What went wrong on a link that mended it by itself, since it was asked last."""
