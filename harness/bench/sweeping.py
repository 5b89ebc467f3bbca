"""Good sweeps of every band: checked before they are kept, and made again where one fails.

Where an instrument fails, it is started afresh and the work goes on, once for each step, and
further on while there is patience; a connection that somebody made is not doubtful because a
link was lost.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import nullcontext, suppress
from dataclasses import dataclass, field
from functools import partial

from drivers.errors import InstrumentError, NotJoinedError
from drivers.stop_signals import look
from drivers.sweep import (
    RepeatedReadingsError,
    SuspectSweepError,
    Sweep,
    SweepSettings,
    UnsettledError,
)
from harness.analysis.loss.plausibility import through_fault
from harness.bench.equipment import Equipment
from harness.bench.readings_check import (
    at_the_floor,
    fits,
    points_at_the_floor,
    require_agreement,
    require_plausible,
    transmission_of,
)
from harness.bench.schedule import pauses_s
from harness.bench.storing import Storing
from harness.bench.sweep_times import SweepTimes, TimesOf
from harness.run_file import Kind
from harness.run_file.run import Event

ATTEMPTS_AT_A_BAND = 2
MOST_LOOKED_AT = 8
"""Sweeps of a band that are kept at hand, to see what the connection reads like."""


@dataclass
class _Trouble:
    """What keeps an instrument from working."""

    since: float
    """Unix seconds."""
    what: str
    told_of_rf: str = ""
    """What was said last about RF meanwhile; empty until there is any waiting."""
    pauses_s: Iterator[float] = field(default_factory=pauses_s)


class Sweeping:
    """The bands of one item on one station, swept and stored."""

    def __init__(
        self,
        equipment: Equipment,
        bands: Mapping[str, SweepSettings],
        rows: Mapping[tuple[str, Kind], int] | None = None,
        kept: TimesOf | None = None,
    ) -> None:
        """`rows`: how many the journal holds already; `kept`: when those that can be true were
        made, as far as they tell of the zero."""
        self.bands = dict(bands)
        self.failures = 0
        """How often an instrument had to start afresh."""
        self.equipment = equipment
        self._storing = Storing(
            equipment.journal, equipment.unbroken, equipment.progress.sweep_done, rows=rows
        )
        self._patience_s = 0.0
        self._trouble: _Trouble | None = None
        self._good: Counter[tuple[str, Kind]] = Counter()
        self._times = SweepTimes(kept)
        self.swept: dict[str, list[Sweep]] = {}
        """The first few good sweeps of the last `sweep_bands`, by band."""
        self._is_age_told = False
        self._is_wary = False
        """Whether readings were old, or did not settle, before."""
        self._compared: set[str] = set()
        """Bands of which a sweep that was made alone was compared with another one."""
        self._remarked: set[str] = set()
        self._faint: set[tuple[str, Kind]] = set()
        """Where points at the receiver's floor came again, and so are what they are."""

    def begin_in_time(self, patience_s: float) -> None:
        """From now on sweeps do not wait for the disk, and an instrument that fails is waited for.

        So it stays after an error, until `close`.
        """
        self._patience_s = patience_s
        # a rehearsal only counts, and has no time to win
        if self.equipment.has_readings:
            self._storing.__enter__()

    def end_in_time(self) -> None:
        """Return when everything is on disk; from now on sweeps wait for it."""
        self._patience_s = 0.0
        self._storing.close()

    def drain(self) -> None:
        """Return when everything is on disk."""
        self._storing.drain()

    def close(self) -> None:
        """End storing, once everything is on disk; harmless a second time."""
        self._storing.close()

    def rows(self, kind: Kind = "normalization") -> dict[tuple[str, Kind], int]:
        """How many sweeps of a kind the journal holds, by band."""
        return {(band, kind): self._storing.rows(band, kind) for band in self.bands}

    def mark_suspect(self, rows: Mapping[tuple[str, Kind], int]) -> None:
        """Mark all sweeps from these rows on as ones that cannot be true."""
        for (band, kind), first in rows.items():
            self._storing.mark_suspect(band, kind, first)

    def rf_off(self) -> None:
        """Switch the source off and make sure of it, afresh if it does not answer."""
        look()
        self.patiently(self._rf_off)

    def _rf_off(self) -> None:
        try:
            self.equipment.source.rf_off()
        except InstrumentError as error:
            self._recover(error)

    def record(self, kind: str, text: str) -> None:
        """Keep an event, after the sweeps before it."""
        look()
        self._storing.event(Event(self.equipment.clock(), kind, text))

    def temperature(self, temperature_c: float) -> None:
        """Keep a temperature in °C, read just now."""
        self._storing.temperature(self.equipment.clock(), temperature_c)

    def patiently(self, action: Callable[[], None]) -> None:
        """Do something again until it works, while there is patience.

        Raises:
            InstrumentError: it still did not when patience was over.
        """
        while True:
            try:
                action()
            except InstrumentError as error:
                self._wait_out(error)
            else:
                self._tell_end_of_trouble()
                return

    def _wait_out(self, error: InstrumentError) -> None:
        """Pause with RF off as far as it can be reached, then have the source start afresh."""
        trouble = self._troubled_by(error)
        left_s = trouble.since + self._patience_s - self.equipment.clock()
        if left_s <= 0.0:
            raise error
        rf = self._rf_made_off()
        if trouble.told_of_rf != rf:
            trouble.told_of_rf = rf
            text = f"waiting up to {left_s:.0f} s for what failed; {rf}: {error.what}"
            self.equipment.progress.doing(text)
            self.record("recovery", text)
        pause_s = min(next(trouble.pauses_s), left_s)
        self.equipment.wait_until(self.equipment.clock() + pause_s)
        # where this fails, what is done again fails too
        with suppress(InstrumentError):
            self.equipment.source.recover()

    def _rf_made_off(self) -> str:
        try:
            self.equipment.source.make_safe()
        except InstrumentError as error:
            return f"RF may be on, for {error.what}"
        return "RF is off"

    def _troubled_by(self, error: InstrumentError) -> _Trouble:
        if self._trouble is None:
            self._trouble = _Trouble(self.equipment.clock(), error.what)
        return self._trouble

    def _tell_end_of_trouble(self) -> None:
        if self._trouble is not None:
            over, self._trouble = self._trouble, None
            lasted_s = self.equipment.clock() - over.since
            self.record("recovery", f"works again after {lasted_s:.1f} s: {over.what}")

    def sweep_bands(self, kind: Kind, index: int, count: int) -> None:
        """Sweep all bands; whoever runs the procedure makes safe when this raises."""
        look()
        self.equipment.require_file()
        self.swept = {}
        # a rehearsal only counts, and has no time to win
        with self._storing if self.equipment.has_readings else nullcontext():
            try:
                for number, band in enumerate(self.bands):
                    wanted = self._good[band, kind] + count
                    whole = partial(self._whole_band, band, kind, index, wanted, count, number == 0)
                    self.patiently(whole)
            except BaseException:
                # before the last sweep is waited for, which a disk that hangs may never let go;
                # where this fails it is done again, and told, by whoever runs the procedure
                with self.equipment.unbroken(), suppress(InstrumentError):
                    self.equipment.source.make_safe()
                raise
        self.rf_off()
        if kind == "insertions":
            self._tell_age_of_zero()
        for text in self.equipment.reconnections():
            self.record("recovery", f"asked again on a fresh connection after: {text}")

    def _tell_age_of_zero(self) -> None:
        """Say once that the zero is older than the station allows; the run is marked for it."""
        if not self._is_age_told and (text := self._times.age_mark(self.equipment.oldest_zero_s)):
            self._is_age_told = True
            self.equipment.progress.doing(text)
            self.record("note", text)

    def _whole_band(
        self, band: str, kind: Kind, index: int, wanted: int, count: int, is_first: bool
    ) -> None:
        """Set a band up and make what it lacks, up to `count`, of the good sweeps `wanted`."""
        self._begin(self.bands[band])
        left = wanted - self._good[band, kind]
        self._sweep_band(band, kind, index, left, is_first=is_first and left == count)

    def _sweep_band(self, band: str, kind: Kind, index: int, count: int, *, is_first: bool) -> None:
        """Sweep a band that is set up, all over again if its sweeps cannot be trusted together:
        settings did not last, what was read had been read before, or the sweeps do not agree.

        Raises:
            SuspectSweepError: so it was the second time.
        """
        for attempt in range(1, ATTEMPTS_AT_A_BAND + 1):
            first, good = self._storing.rows(band, kind), self._good[band, kind]
            made: list[Sweep] = []
            doubt: InstrumentError | None = None
            try:
                for number in range(count):
                    is_very_first = is_first and number == 0 and attempt == 1
                    sweep = self._good_sweep(band, kind, index, is_first=is_very_first)
                    self._storing.append(band, kind, index, sweep)
                    self._good[band, kind] += 1
                    made.append(sweep)
                    self._tell_end_of_trouble()
                self._require_agreement(band, kind, made)
            except (RepeatedReadingsError, UnsettledError) as error:
                self._is_wary = True
                doubt = error
            if doubt is None:
                try:
                    # asked while the last sweep is still on its way to the disk
                    self.equipment.source.confirm()
                except InstrumentError as error:
                    doubt = error
            if doubt is not None:
                self._storing.mark_suspect(band, kind, first)
                self._good[band, kind] = good
                if attempt == ATTEMPTS_AT_A_BAND:
                    self.record("note", f"{doubt.what} (band {band})")
                    raise doubt
                self.equipment.progress.sweeps_again(len(made))
                self._recover(doubt)
                self._set_up(self.bands[band])
            else:
                self.swept[band] = made[:MOST_LOOKED_AT]
                self._times.add(band, kind, index, (sweep.time for sweep in made))
                if not self._storing.is_deferred:
                    self._storing.drain()
                return

    def _require_agreement(self, band: str, kind: Kind, made: list[Sweep]) -> None:
        """Compare the sweeps of a connection, one that was made alone with one that is not kept.

        An instrument that is a sweep behind shows what was connected before in the first of them.
        The first insertion tells, and then all of them where anything was old already; a schedule
        has no time for it, and many sweeps to each connection.

        Raises:
            UnsettledError: they do not agree.
            RepeatedReadingsError: the one that is not kept came before.
        """
        tools = self.equipment
        if not tools.has_readings or math.isinf(tools.settling_db):
            return
        if len(made) == 1 and kind == "insertions" and not self._patience_s:
            if band in self._compared and not self._is_wary:
                return
            self._compared.add(band)
            made = [*made, self._good_sweep(band, kind, 0, is_first=False)]
        require_agreement(made, tools.floor_db, tools.settling_db)

    def _begin(self, settings: SweepSettings) -> None:
        """Set a band up and switch RF on, with one fresh start if an instrument fails."""
        try:
            self._set_up(settings)
        except InstrumentError as error:
            self._recover(error)
            self._set_up(settings)

    def _set_up(self, settings: SweepSettings) -> None:
        self.equipment.source.configure(settings)
        self.equipment.source.rf_on()

    def _good_sweep(self, band: str, kind: Kind, index: int, *, is_first: bool) -> Sweep:
        """A sweep whose readings can be true, with one fresh start if it fails.

        Raises:
            InstrumentError: the second attempt failed too.
            RepeatedReadingsError: at the first; which sweep is the old one nobody knows.
            NotJoinedError: the leads are not joined while normalizing.
        """
        try:
            return self._checked_sweep(band, kind, index, is_first=is_first, is_again=False)
        except RepeatedReadingsError:
            raise
        except InstrumentError as error:
            self._recover(error)
        self._set_up(self.bands[band])
        try:
            return self._checked_sweep(band, kind, index, is_first=is_first, is_again=True)
        except SuspectSweepError as error:
            fault = through_fault(transmission_of(error.sweep)) if kind == "normalization" else ""
            if not fault or not at_the_floor(error.sweep, self.equipment.floor_db)[0]:
                raise
            raise NotJoinedError(f"{fault} (band {band})", is_first_sweep=is_first) from error

    def _checked_sweep(
        self, band: str, kind: Kind, index: int, *, is_first: bool, is_again: bool
    ) -> Sweep:
        tools, settings = self.equipment, self.bands[band]
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
        if points_at_the_floor(sweep, self.equipment.floor_db):
            remarks.append(f"band {band}: some points are at the receiver's floor")
        for remark in remarks:
            if remark not in self._remarked:
                self._remarked.add(remark)
                self.record("note", remark)

    def _recover(self, error: InstrumentError) -> None:
        """Have the source start afresh, RF off; the connections are what they were."""
        self.failures += 1
        trouble = self._troubled_by(error)
        if not trouble.told_of_rf:
            self.record("recovery", f"starting afresh after: {error.what}")
        self.equipment.source.recover()
