"""Carrying a procedure out on items, one run file each."""

from __future__ import annotations

import traceback
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from drivers.errors import (
    InputError,
    InstrumentError,
    ProcedureError,
    StoppedError,
    TarelineError,
)
from drivers.sweep import SweepSettings
from harness.bench import Bench, Equipment, Exchange
from harness.clock import as_iso
from harness.connected import ConnectedStation, check_files, connect
from harness.exchange import PersonAtTheBench, SimulatedExchange, SwitchedExchange
from harness.history import earlier_runs, write_history
from harness.interrupts import StopRequested, StopSignals
from harness.items import Item, Workplace, item_as_dict
from harness.procedure import Procedure
from harness.progress import PlainProgress, TerminalProgress, progress_on_stderr
from harness.rehearsal import Workload, rehearse
from harness.results import Event
from harness.run_analysis import finish
from harness.run_file import RunHeader, RunJournal
from harness.software import software_versions


@dataclass(frozen=True)
class Assignment:
    """What is to be done."""

    procedure: Procedure
    parameters: Mapping[str, Any]
    results: Path
    """Folder of the run files."""


def measure(workplace: Workplace, items: Mapping[str, Item], assignment: Assignment) -> list[Path]:
    """Measure every item; returns their finished run files.

    Raises:
        InputError: the procedure is wrong (found before anything is connected).
        InstrumentError, RunFileError: trouble on the way; RF is off, finished sweeps are kept.
        StoppedError: a signal ended it; RF is off, finished sweeps are kept.
    """
    if assignment.results.exists() and not assignment.results.is_dir():
        raise InputError(
            f"{str(assignment.results)!r} is not a folder", hint="choose another with --results"
        )
    check_files(workplace, list(items))
    bands = {band: workplace.station.settings(band) for band in workplace.station.bands}
    work = {item: _rehearsed(assignment, item, bands) for item in items}
    finished: list[Path] = []
    with StopSignals() as stop:
        try:
            with connect(workplace, stop) as connected:
                for name, item in items.items():
                    run = _Run(workplace, connected, stop, assignment, name, item, bands)
                    run.carry_out(work[name], finished)
        except StopRequested as request:
            # a stop outside of a run: while connecting, or between two items
            raise _stopped(request, f"{len(finished)} finished runs are kept") from request
    return finished


def _rehearsed(assignment: Assignment, item: str, bands: Mapping[str, SweepSettings]) -> Workload:
    function = partial(assignment.procedure.function, **assignment.parameters)
    try:
        return rehearse(function, item, bands)
    except TarelineError:
        raise
    except (Exception, SystemExit) as error:  # a person's own procedure may raise anything
        raise InputError(
            f"the procedure {assignment.procedure.name!r} failed in rehearsal, before anything "
            f"was connected: {type(error).__name__}: {error}",
            where=_place(error),
        ) from error


def _place(error: BaseException) -> str:
    """File and line that raised."""
    last = traceback.extract_tb(error.__traceback__)[-1]
    return f"{last.filename}, line {last.lineno}"


class _Run:
    """One item, one run file."""

    def __init__(
        self,
        workplace: Workplace,
        connected: ConnectedStation,
        stop: StopSignals,
        assignment: Assignment,
        item_name: str,
        item: Item,
        bands: Mapping[str, SweepSettings],
    ) -> None:
        self._workplace, self._connected, self._stop = workplace, connected, stop
        self._assignment, self._item_name, self._item = assignment, item_name, item
        self._bands = bands
        self._kept = 0

    def carry_out(self, work: Workload, finished: list[Path]) -> None:
        """Do everything from the first prompt to the finished file, which joins `finished`."""
        journal = self._create_journal()
        try:
            with progress_on_stderr(self._item_name, work.sweeps) as progress:
                exchange = self._exchange(journal, progress)
                bench = self._bench(journal, exchange, progress)
                self._procedure(bench)
                bench.rf_off()
                exchange.finish()
            with self._stop.deferred():
                self._record(journal, "finished", "procedure carried out")
                journal.close()
        except StopRequested as request:
            self._shut_down(journal, "stopped", f"by {request}")
            raise _stopped(
                request,
                f"{self._kept} finished sweeps of {self._item_name} are kept in {journal.path}",
                hint=f"measure it again: tareline run {self._assignment.procedure.name} "
                f"--item {self._item_name}",
            ) from request
        except BaseException as error:
            self._shut_down(journal, "error", f"{type(error).__name__}: {error}")
            raise
        with self._stop.deferred():
            finish(journal.path, as_iso(self._connected.clock()))
            finished.append(journal.path)

    def _procedure(self, bench: Bench) -> None:
        try:
            self._assignment.procedure.function(bench, **self._assignment.parameters)
        except TarelineError:
            raise
        except (Exception, SystemExit) as error:  # a person's own procedure may raise anything
            raise ProcedureError(
                f"the procedure {self._assignment.procedure.name!r} failed: "
                f"{type(error).__name__}: {error}",
                where=_place(error),
                hint="RF is off and finished sweeps are kept; mend the procedure",
            ) from error

    def _shut_down(self, journal: RunJournal, kind: str, text: str) -> None:
        """RF off first, then the file; a second signal waits."""
        with self._stop.shutting_down():
            trouble: InstrumentError | None = None
            try:
                self._connected.source.make_safe()
            except InstrumentError as error:
                trouble = error
                text = f"{text}; {error.what}"
            try:
                self._record(journal, kind, text)
                journal.close()
            finally:
                # that RF may be on matters more than that the disk refuses a remark
                if trouble is not None:
                    raise trouble

    def _record(self, journal: RunJournal, kind: str, text: str) -> None:
        try:
            now = self._connected.clock()
        except InstrumentError:
            # the simulated bench is gone, and its time with it
            now = datetime.now(tz=UTC).timestamp()
        journal.event(Event(now, kind, text))

    def _bench(
        self,
        journal: RunJournal,
        exchange: Exchange,
        progress: PlainProgress | TerminalProgress,
    ) -> Bench:
        equipment = Equipment(
            source=self._connected.source,
            exchange=exchange,
            journal=journal,
            progress=_Counting(self, progress),
            clock=self._connected.clock,
            unbroken=self._stop.deferred,
            floor_db=self._workplace.station.floor_db,
            oldest_zero_s=self._workplace.station.zero.oldest_s,
        )
        return Bench(equipment, self._item_name, self._bands)

    def _exchange(
        self, journal: RunJournal, progress: PlainProgress | TerminalProgress
    ) -> Exchange:
        station, hand, switch = (
            self._workplace.station, self._connected.hand, self._connected.switch,
        )  # fmt: skip
        person = PersonAtTheBench(station, progress.ask, progress.say)
        by_hand = person if hand is None else SimulatedExchange(hand)
        if switch is None or station.switch is None:
            return by_hand
        channels, name = station.switch, self._item_name
        if hand is None:
            connect = partial(person.connect_behind_switch, name, channels.through, channels.item)
        else:
            connect = partial(hand.connect_item, name)
        note = partial(self._record, journal, "recovery")
        return SwitchedExchange(switch, station, connect, by_hand.finish, note)

    def _create_journal(self) -> RunJournal:
        station = self._workplace.station
        started = self._connected.clock()
        stamp = datetime.fromtimestamp(started, tz=UTC).strftime("%Y%m%dT%H%M%SZ")
        run_id = f"{stamp}-{self._assignment.procedure.name}-{self._item_name}"
        header = RunHeader(
            run_id=run_id,
            procedure=self._assignment.procedure.name,
            parameters=dict(self._assignment.parameters),
            started=as_iso(started),
            software=software_versions(),
            station=station.as_dict(),
            item=item_as_dict(self._item_name, self._item),
            instruments=self._connected.instruments,
            simulated=self._connected.is_simulated,
            simulated_bench=self._connected.simulated_bench,
        )
        grids = {band: settings.frequency_hz() for band, settings in self._bands.items()}
        path = self._assignment.results / f"{run_id}.h5"
        told: list[str] = []
        history = earlier_runs(station, self._workplace.folder, grids, told.append)
        journal = RunJournal(
            path,
            header,
            grids,
            self._connected.source.traces,
            partial(write_history, history=history),
        )
        for text in told:
            journal.event(Event(started, "note", text))
        return journal

    def count_sweep(self) -> None:
        """One more sweep is safely kept."""
        self._kept += 1


class _Counting:
    """Progress that also tells the run how many sweeps are kept."""

    def __init__(self, run: _Run, display: PlainProgress | TerminalProgress) -> None:
        self._run, self._display = run, display

    def doing(self, what: str) -> None:
        self._display.doing(what)

    def sweep_done(self) -> None:
        self._run.count_sweep()
        self._display.sweep_done()

    def sweeps_again(self, count: int) -> None:
        self._display.sweeps_again(count)


def _stopped(request: StopRequested, kept: str, hint: str = "") -> StoppedError:
    error = StoppedError(f"stopped by {request}; RF is off; {kept}", hint=hint)
    error.exit_status = request.exit_status
    return error
