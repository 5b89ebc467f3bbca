"""The Bench: what a procedure asks for, in the words of a bench card.

It switches RF off around every change of a connection, has connections made, sweeps every
band, and puts each sweep into the run file before it says that the sweep is done. Where an
instrument fails it, it has it start afresh and goes on, once for each step; a connection that
somebody made is not doubtful because a link was lost.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import dataclass
from functools import partial
from typing import Protocol

from drivers.errors import InputError, InstrumentError, NotJoinedError
from drivers.sweep import SuspectSweepError, Sweep, SweepSettings
from harness.analysis.plausibility import through_fault
from harness.readings_check import (
    at_the_floor,
    fits,
    points_at_the_floor,
    require_plausible,
    transmission_of,
)
from harness.results import Event
from harness.run_file import Kind
from harness.storing import Journal, Storing

NORMALIZATION_SWEEPS = 4
ATTEMPTS_TO_JOIN = 3
AGE_OF_ZERO = "age of the zero"
"""Stands among what was remarked; said once."""
ATTEMPTS_TO_KEEP_SETTINGS = 2


class Source(Protocol):
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


class Progress(Protocol):
    """Who is told how far the work is."""

    def doing(self, what: str) -> None:
        """What is being done from now on."""

    def sweep_done(self) -> None:
        """One more sweep is safely kept."""

    def sweeps_again(self, count: int) -> None:
        """So many sweeps that are kept must be made once more."""


@dataclass(frozen=True)
class Equipment:
    """What a Bench works with; a rehearsal brings stand-ins that only count."""

    source: Source
    exchange: Exchange
    journal: Journal
    progress: Progress
    clock: Callable[[], float]
    unbroken: Callable[[], AbstractContextManager[None]]
    """A section that a stop signal must not break into."""
    floor_db: float
    """The ratio at which the receiver reads nothing but itself."""
    oldest_zero_s: float | None = None
    """Longest time from a check of the zero to a sweep of the item; None: not stated."""
    has_readings: bool = True
    """False in a rehearsal, whose sweeps hold nothing to look at."""


class Bench:
    """One item on one station; see `procedures/` for how it is used."""

    def __init__(self, equipment: Equipment, item: str, bands: Mapping[str, SweepSettings]) -> None:
        self.item = item
        self.bands = dict(bands)
        self._equipment = equipment
        self._storing = Storing(
            equipment.journal, equipment.unbroken, equipment.progress.sweep_done
        )
        self._makings = 0
        self._zero_time = -math.inf
        self._insertion: int | None = None
        self._insertions_made = 0
        self._remarked: set[str] = set()
        self._faint: set[tuple[str, Kind]] = set()
        """Where points at the receiver's floor came again, and so are what they are."""

    def normalize(self, sweeps: int = NORMALIZATION_SWEEPS, makings: int = 1) -> None:
        """Record the through response of the leads in every band, joining them `makings` times.

        Several makings in a row count as one check of the zero and show how well it repeats.
        """
        self._sweep_through(sweeps, makings, f"normalizing, {sweeps} sweeps a band")

    def check_normalization(self, sweeps: int = NORMALIZATION_SWEEPS, makings: int = 1) -> None:
        """Join the leads again, `makings` times, and record what became of the zero.

        Also between two insertions; the item is then not inserted until the next one.

        Raises:
            InputError: the procedure has not normalized yet.
        """
        self._require_normalization("check_normalization()")
        self._sweep_through(sweeps, makings, f"checking the zero, {sweeps} sweeps a band")

    def insertions(self, count: int) -> Iterator[int]:
        """Insert the item `count` times, disconnecting it in between; yields 1, 2, ...

        Raises:
            InputError: the procedure has not normalized yet, or asks for none.
        """
        self._require_normalization("insertions()")
        _require_positive(count, "insertions")
        for number in range(1, count + 1):
            connect = partial(self._equipment.exchange.connect_item, self.item, number, count)
            self._change(f"insertion {number} of {count}", connect)
            self._insertion = self._insertions_made
            self._insertions_made += 1
            yield number
            self._insertion = None

    def sweep(self, count: int = 1) -> None:
        """Sweep every band `count` times with the item inserted.

        Raises:
            InputError: the item is not inserted: call it within `insertions()`.
        """
        if self._insertion is None:
            raise InputError(
                "the procedure sweeps while nothing is inserted",
                hint="call bench.sweep() in the body of `for _ in bench.insertions(n):`",
            )
        _require_positive(count, "sweeps")
        self._remark_age_of_zero()
        self._sweep_bands("insertions", self._insertion, count)

    def _remark_age_of_zero(self) -> None:
        """Say once that the zero is older than the station allows; the run is marked for it."""
        oldest_s = self._equipment.oldest_zero_s
        if oldest_s is None or AGE_OF_ZERO in self._remarked:
            return
        age_s = self._equipment.clock() - self._zero_time
        if age_s <= oldest_s:
            return
        self._remarked.add(AGE_OF_ZERO)
        text = (
            f"the zero is {age_s / 3600.0:.1f} h old, older than the {oldest_s / 3600.0:g} h that "
            "the station allows; check it more often"
        )
        self._equipment.progress.doing(text)
        self._record("note", text)

    def note(self, text: str) -> None:
        """Put a remark into the run file."""
        self._record("note", text)

    def rf_off(self) -> None:
        """Switch the source off and make sure of it, afresh if it does not answer."""
        try:
            self._equipment.source.rf_off()
        except InstrumentError as error:
            self._recover(error)

    def _require_normalization(self, call: str) -> None:
        if not self._makings:
            raise InputError(
                f"the procedure calls {call} before the station is normalized",
                hint="begin with bench.normalize()",
            )

    def _sweep_through(self, sweeps: int, makings: int, what: str) -> None:
        _require_positive(sweeps, "sweeps")
        _require_positive(makings, "makings of the through")
        for making in range(1, makings + 1):
            self._make_through(sweeps, what if makings == 1 else f"{what}, {making} of {makings}")

    def _make_through(self, sweeps: int, what: str) -> None:
        for attempt in range(1, ATTEMPTS_TO_JOIN + 1):
            again = self._makings > 0 or attempt > 1
            self._change(what, partial(self._equipment.exchange.connect_through, again=again))
            try:
                self._sweep_bands("normalization", self._makings, sweeps)
                break
            except NotJoinedError as error:
                self._record("note", error.what)
                if attempt == ATTEMPTS_TO_JOIN or not error.is_first_sweep:
                    raise
                what = f"{error.what}: joining the leads again"
        self._makings += 1
        self._zero_time = self._equipment.clock()

    def _sweep_bands(self, kind: Kind, index: int, count: int) -> None:
        """Sweep all bands; whoever runs the procedure makes safe when this raises."""
        # a rehearsal only counts, and has no time to win
        with self._storing if self._equipment.has_readings else nullcontext():
            try:
                for number, (band, settings) in enumerate(self.bands.items()):
                    self._begin(settings)
                    self._sweep_band(band, kind, index, count, is_first=number == 0)
            except BaseException:
                # before the last sweep is waited for, which a disk that hangs may never let go;
                # where this fails it is done again, and told, by whoever runs the procedure
                with self._equipment.unbroken(), suppress(InstrumentError):
                    self._equipment.source.make_safe()
                raise
        self.rf_off()

    def _sweep_band(self, band: str, kind: Kind, index: int, count: int, *, is_first: bool) -> None:
        """Sweep a band that is set up, all over again if its settings did not last.

        Raises:
            SuspectSweepError: they did not last the second time either.
        """
        for attempt in range(1, ATTEMPTS_TO_KEEP_SETTINGS + 1):
            first = self._storing.rows(band, kind)
            for number in range(count):
                is_very_first = is_first and number == 0 and attempt == 1
                sweep = self._good_sweep(band, kind, index, is_first=is_very_first)
                self._storing.append(band, kind, index, sweep)
            try:
                # asked while the last sweep is still on its way to the disk
                self._equipment.source.confirm()
            except InstrumentError as error:
                self._storing.mark_suspect(band, kind, first)
                if attempt == ATTEMPTS_TO_KEEP_SETTINGS:
                    self._record("note", f"{error.what} (band {band})")
                    raise
                self._equipment.progress.sweeps_again(count)
                self._recover(error)
                self._set_up(self.bands[band])
            else:
                self._storing.drain()
                return

    def _begin(self, settings: SweepSettings) -> None:
        """Set a band up and switch RF on, with one fresh start if an instrument fails."""
        try:
            self._set_up(settings)
        except InstrumentError as error:
            self._recover(error)
            self._set_up(settings)

    def _set_up(self, settings: SweepSettings) -> None:
        self._equipment.source.configure(settings)
        self._equipment.source.rf_on()

    def _good_sweep(self, band: str, kind: Kind, index: int, *, is_first: bool) -> Sweep:
        """A sweep whose readings can be true, with one fresh start if it fails.

        Raises:
            InstrumentError: the second attempt failed too.
            NotJoinedError: the leads are not joined while normalizing.
        """
        try:
            return self._checked_sweep(band, kind, index, is_first=is_first, is_again=False)
        except InstrumentError as error:
            self._recover(error)
        self._set_up(self.bands[band])
        try:
            return self._checked_sweep(band, kind, index, is_first=is_first, is_again=True)
        except SuspectSweepError as error:
            fault = through_fault(transmission_of(error.sweep)) if kind == "normalization" else ""
            if not fault or not at_the_floor(error.sweep, self._equipment.floor_db)[0]:
                raise
            raise NotJoinedError(f"{fault} (band {band})", is_first_sweep=is_first) from error

    def _checked_sweep(
        self, band: str, kind: Kind, index: int, *, is_first: bool, is_again: bool
    ) -> Sweep:
        tools, settings = self._equipment, self.bands[band]
        if not tools.has_readings:
            return tools.source.sweep()
        try:
            sweep = tools.source.sweep()
            require_plausible(sweep, tools.source.traces, settings.frequency_hz(), tools.floor_db)
            if points_at_the_floor(sweep, tools.floor_db) and (band, kind) not in self._faint:
                if not is_again:
                    raise SuspectSweepError(
                        "some points of a sweep are at the receiver's floor", sweep
                    )
                self._faint.add((band, kind))
        except SuspectSweepError as error:
            if fits(error.sweep, tools.source.traces, settings.points):
                self._storing.append(band, kind, index, error.sweep, is_suspect=True)
            raise
        fault = through_fault(transmission_of(sweep)) if kind == "normalization" else ""
        if fault:
            raise NotJoinedError(f"{fault} (band {band})", is_first_sweep=is_first)
        self._remark(band, sweep)
        return sweep

    def _remark(self, band: str, sweep: Sweep) -> None:
        """Record what is odd about a sweep that is good all the same, once."""
        remarks = [f"band {band}: {remark}" for remark in sweep.remarks]
        if points_at_the_floor(sweep, self._equipment.floor_db):
            remarks.append(f"band {band}: some points are at the receiver's floor")
        for remark in remarks:
            if remark not in self._remarked:
                self._remarked.add(remark)
                self._record("note", remark)

    def _recover(self, error: InstrumentError) -> None:
        """Have the source start afresh, RF off; the connections are what they were."""
        self._record("recovery", f"starting afresh after: {error.what}")
        self._equipment.source.recover()

    def _change(self, what: str, connect: Callable[[], None]) -> None:
        """Have a connection changed, with RF off before and until the next sweep."""
        self._insertion = None
        self.rf_off()
        self._equipment.progress.doing(what)
        connect()
        self._record("connection", what)

    def _record(self, kind: str, text: str) -> None:
        self._storing.event(Event(self._equipment.clock(), kind, text))


def _require_positive(count: int, what: str) -> None:
    if count < 1:
        raise InputError(f"{count} {what} were asked for", hint="ask for at least 1")
