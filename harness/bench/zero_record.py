"""The zero of a sitting: kept apart from any item, and put into the run file of each.

A sitting at the production bench normalizes once and then measures item after item. Every
item's run file stands alone, so it gets the readings of the through that matter to it: those of
the last check before it, and once it has been made, those of the check after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from drivers.errors import InputError
from drivers.sweep import Sweep
from harness.analysis.arrays import FloatArray
from harness.analysis.loss.loss import level_db
from harness.bench.readings_check import transmission_of
from harness.bench.storing import Journal
from harness.run_file import Kind
from harness.run_file.run import DOUBT, Event
from harness.station.station import Station
from harness.station.zero_allowance import allowed_change_db


@dataclass
class _ZeroRow:
    """One sweep of the through, good or suspect."""

    band: str
    sweep: Sweep
    is_suspect: bool


@dataclass
class ZeroRecord:
    """A journal in memory for one check of the zero, which may take several attempts."""

    rows: list[_ZeroRow] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    def append(
        self, band: str, kind: Kind, index: int, sweep: Sweep, *, is_suspect: bool = False
    ) -> None:
        """Keep a sweep of the through."""
        if kind != "normalization":
            raise AssertionError("only the through is swept for the zero")
        self.rows.append(_ZeroRow(band, sweep, is_suspect))

    def mark_suspect(self, band: str, kind: Kind, first: int) -> None:
        """Mark the sweeps of a band from its row `first` on."""
        for row in [row for row in self.rows if row.band == band][first:]:
            row.is_suspect = True

    def event(self, event: Event) -> None:
        """Keep an event."""
        self.events.append(event)

    def temperature(self, time: float, temperature_c: float) -> None:
        """Not of the zero; the item's own file keeps what is read while it is measured."""

    @property
    def time(self) -> float:
        """Of the last good sweep, in Unix seconds."""
        return max(row.sweep.time for row in self.rows if not row.is_suspect)

    @property
    def had_trouble(self) -> bool:
        """Whether an instrument had to start afresh, or a sweep could not be true."""
        return any(row.is_suspect for row in self.rows) or any(
            event.kind == "recovery" for event in self.events
        )

    @property
    def is_doubted(self) -> bool:
        """Whether it does not read like joined leads, so that nothing can rest on it."""
        return any(event.kind == DOUBT for event in self.events)

    def times(self) -> dict[tuple[str, Kind, int], tuple[float, int]]:
        """Mean Unix time of the good sweeps, and how many, as making 0 of each band."""
        by_band: dict[str, list[float]] = {}
        for row in self.rows:
            if not row.is_suspect:
                by_band.setdefault(row.band, []).append(row.sweep.time)
        return {(band, "normalization", 0): (float(np.mean(times)), len(times))
                for band, times in by_band.items()}  # fmt: skip

    def write_into(self, journal: Journal, making: int) -> None:
        """Put the sweeps, with their own times, and what happened into an item's journal."""
        for row in self.rows:
            journal.append(row.band, "normalization", making, row.sweep, is_suspect=row.is_suspect)
        for event in self.events:
            journal.event(event)

    def level_db(self, band: str) -> FloatArray:
        """Mean level of the through in a band, (P,)."""
        good = [r.sweep for r in self.rows if r.band == band and not r.is_suspect]
        return np.asarray(np.mean([level_db(transmission_of(sweep)) for sweep in good], axis=0))


@dataclass(frozen=True)
class ZeroMove:
    """How far the zero moved in a band from one check to the next."""

    band: str
    change_db: float
    """Largest over the band, without sign."""
    frequency_hz: float
    allowed_db: float

    @property
    def is_too_much(self) -> bool:
        """Whether the station allows less."""
        return self.change_db > self.allowed_db

    def __str__(self) -> str:
        return (
            f"{self.change_db:.3f} dB at {self.frequency_hz / 1e6:.6g} MHz ({self.band}), "
            f"where {self.allowed_db:.3g} dB is allowed"
        )


def zero_moves(before: ZeroRecord, after: ZeroRecord, station: Station) -> Sequence[ZeroMove]:
    """What became of the zero between two checks, by band, worst first.

    What may change is `allowed_change_db`.

    Raises:
        InputError: the two do not hold the same bands.
    """
    bands = {row.band for row in before.rows}
    if bands != {row.band for row in after.rows}:
        raise InputError("two checks of the zero hold different bands")
    allowed_db = allowed_change_db(station, after.time - before.time)
    moves = []
    for band in bands:
        change_db = np.abs(after.level_db(band) - before.level_db(band))
        place = int(np.argmax(change_db))
        grid = next(row.sweep.frequency_hz for row in after.rows if row.band == band)
        moves.append(ZeroMove(band, float(change_db[place]), float(grid[place]), allowed_db))
    return sorted(moves, key=lambda move: -move.change_db)
