"""One item's run on an open station: from the first prompt to the finished file.

Every way out makes RF safe first and then closes the file, whose sweeps are kept.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from drivers.errors import (
    InputError,
    InstrumentError,
    LeftError,
    LostFileError,
    NothingSweptError,
    ProcedureError,
    RunFileError,
    StoppedError,
)
from drivers.quantities import counted
from drivers.stop_signals import StopRequested
from harness.bench.bench import Bench
from harness.bench.clock import as_iso
from harness.bench.operator_lines import Asked, OperatorCommand
from harness.bench.procedure import Procedure
from harness.bench.procedure_errors import in_earnest
from harness.bench.rehearsal import Workload
from harness.bench.replay import Replay
from harness.bench.takeover import MARK
from harness.bench.zero_judgement import GoingOn
from harness.connections.operator_exchange import OperatorExchange
from harness.evaluation.read_back import read_run
from harness.evaluation.run_analysis import assess, finish
from harness.report.words.diagnosis_words import less_than_expected
from harness.report.words.suggested_command import go_on
from harness.run_file import Kept, RunHeader, RunJournal
from harness.run_file.history import earlier_runs, write_history
from harness.run_file.run import Event
from harness.running.locks import lock_run
from harness.running.new_run import free_id, header_of, run_id
from harness.running.open_station import OpenStation
from harness.running.progress import (
    BesideProgress,
    PlainProgress,
    TerminalProgress,
    progress_on_stderr,
)
from harness.running.who_connects import exchange_of
from harness.station.items import Item, item_as_dict


@dataclass(frozen=True)
class Assignment:
    """What is to be done."""

    procedure: Procedure
    parameters: Mapping[str, Any]
    results: Path
    """Folder of the run files."""
    begun: Callable[[Path], None] = lambda path: None
    """Told of every run file once it is there."""
    again: tuple[str | Path, ...] = ()
    """Options that whoever goes on with a run has to give again."""


class ItemRun:
    """One item, one run file."""

    def __init__(
        self, place: OpenStation, assignment: Assignment, item_name: str, item: Item
    ) -> None:
        self._place = place
        self._workplace, self._connected, self._stop = place.workplace, place.connected, place.stop
        self._assignment, self._item_name, self._item = assignment, item_name, item
        station = place.workplace.station
        self._bands = {band: station.settings(band) for band in station.bands}
        self._kept = 0

    def measure(self, work: Workload) -> Path:
        """Do everything anew; returns the finished file.

        Raises:
            Asked: the operator wants to leave it out, or to begin anew; finished sweeps are kept.
            LeftError: the operator wants to stop; finished sweeps are kept.
            InstrumentError, RunFileError: trouble on the way; RF is off, finished sweeps are kept.
            StoppedError: a signal ended it; RF is off, finished sweeps are kept.
        """
        procedure, started = self._assignment.procedure, self._connected.clock()
        header = header_of(
            self._name(started),
            started,
            self._place.origin(),
            item_as_dict(self._item_name, self._item),
            (procedure.name, self._assignment.parameters),
        )
        path = self._assignment.results / f"{header.run_id}.h5"
        with lock_run(path):
            return self._carry_out(self._create_journal(path, header), work, None, None)

    def _name(self, started: float) -> str:
        procedure = self._assignment.procedure.name
        return free_id(self._assignment.results, run_id(started, procedure, self._item_name))

    def go_on(self, work: Workload, past: Replay, going_on: GoingOn) -> Path:
        """Do what a stopped run lacks; `work` is that alone. Raises as `measure`, and:

        Raises:
            LeftError: also where the operator wants to leave it out, or to begin anew.
            ZeroMovedError: the zero is not where it was; finished sweeps are kept.
        """
        self._kept = going_on.kept
        self._mark_bench(going_on.journal)
        return self._carry_out(going_on.journal, work, past, going_on)

    def _carry_out(
        self, journal: RunJournal, work: Workload, past: Replay | None, going_on: GoingOn | None
    ) -> Path:
        bench: Bench | None = None
        self._assignment.begun(journal.path)
        self._connected.locks.tell_run(journal.path)
        try:
            total = self._kept + work.sweeps
            with progress_on_stderr(self._item_name, total, self._kept) as progress:
                exchange = exchange_of(
                    self._workplace.station, self._connected, (self._item_name, self._item),
                    BesideProgress(self._place.terminal, progress),
                    partial(self._record, journal),
                )  # fmt: skip
                equipment = replace(
                    self._place.equipment(exchange, journal, _Counting(self, progress)),
                    uncertainty_db=partial(_uncertainty_db, journal),
                    judge=self._place.judge(lambda name: self._item),
                    is_sure=exchange.is_sure if isinstance(exchange, OperatorExchange) else None,
                    reconnections=self._connected.reconnections,
                    require_file=journal.require_in_place,
                )
                bench = Bench(equipment, self._item_name, self._bands, past, going_on)
                with in_earnest(self._assignment.procedure.name):
                    self._assignment.procedure.function(bench, **self._assignment.parameters)
                bench.rf_off()
                exchange.finish()
                bench.close()
            require_item_swept(journal.kept(), self._bands, self._item_name, journal.path)
            # a stop that comes from here on takes effect once the run is finished
            with self._stop.shutting_down():
                self._record(journal, "finished", "procedure carried out")
                journal.close()
        except Asked as asked:
            why = f"left by the operator ({asked.command.word})"
            self._shut_down(journal, bench, "stopped", why)
            if asked.command is not OperatorCommand.STOP and going_on is None:
                raise
            raise LeftError(
                f"{why}; RF is off; {self._told_kept(journal.path)}",
                hint=self._go_on(journal.path),
            ) from asked
        except NothingSweptError as error:
            self._shut_down(journal, bench, "stopped", error.what)
            raise
        except StopRequested as request:
            self._shut_down(journal, bench, "stopped", f"by {request}")
            raise stopped(
                request,
                self._told_kept(journal.path),
                hint=self._go_on(journal.path),
            ) from request
        except BaseException as error:
            self._shut_down(journal, bench, "error", f"{type(error).__name__}: {error}")
            if isinstance(error, InstrumentError | RunFileError | ProcedureError):
                again = "" if isinstance(error, LostFileError) else self._go_on(journal.path)
                error.hint = "; then ".join(filter(None, (error.hint, again)))
            raise
        with self._stop.shutting_down():
            finish(journal.path, as_iso(self._connected.clock()))
        if said := less_than_expected(read_run(journal.path).bands):
            self._place.terminal.say(f"! {self._item_name}: {said}")
        return journal.path

    def _shut_down(self, journal: RunJournal, bench: Bench | None, kind: str, text: str) -> None:
        with self._place.shutting_down(text) as told:
            if bench is not None:
                bench.close()
            self._record(journal, kind, told)
            journal.close()

    def _told_kept(self, path: Path) -> str:
        return f"{counted(self._kept, 'finished sweep')} of {self._item_name} kept in {path}"

    def _go_on(self, path: Path) -> str:
        return go_on(path, self._assignment.again)

    def _record(self, journal: RunJournal, kind: str, text: str) -> None:
        try:
            now = self._connected.clock()
        except InstrumentError:
            # the simulated bench is gone, and its time with it
            now = datetime.now(tz=UTC).timestamp()
        journal.event(Event(now, kind, text))

    def _create_journal(self, path: Path, header: RunHeader) -> RunJournal:
        grids = {band: settings.frequency_hz() for band, settings in self._bands.items()}
        told: list[str] = []
        workplace = self._workplace
        history = earlier_runs(workplace.station, workplace.folder, grids, told.append)
        journal = RunJournal(
            path,
            header,
            grids,
            self._connected.source.traces,
            partial(write_history, history=history),
        )
        for text in told:
            self._record(journal, "note", text)
        procedure = self._assignment.procedure
        if procedure.file is not None:
            # whoever goes on with the run has to find it
            self._record(journal, MARK, json.dumps({"procedure": str(procedure.file)}))
        self._mark_bench(journal)
        return journal

    def _mark_bench(self, journal: RunJournal) -> None:
        """Let whoever goes on with the run start its simulated bench as one that goes on, too."""
        start = self._connected.bench_start
        if start is not None:
            self._record(journal, MARK, start.mark())

    def count_sweep(self) -> None:
        """One more sweep is safely kept."""
        self._kept += 1


class _Counting:
    """Progress that also tells the run how many sweeps are kept."""

    def __init__(self, run: ItemRun, display: PlainProgress | TerminalProgress) -> None:
        self._run, self._display = run, display

    def doing(self, what: str) -> None:
        self._display.doing(what)

    def at(self, place: str) -> None:
        self._display.at(place)

    def sweep_done(self) -> None:
        self._run.count_sweep()
        self._display.sweep_done()

    def sweeps_again(self, count: int) -> None:
        self._display.sweeps_again(count)

    def say(self, text: str) -> None:
        self._display.say(text)


def _uncertainty_db(journal: RunJournal) -> float:
    """Largest U of all bands by what is kept so far; inf while that does not suffice."""
    try:
        results = assess(journal)
    except InputError:
        return math.inf
    return max(float(result.expanded_uncertainty_db.max()) for result in results.values())


def require_item_swept(kept: Kept, bands: Iterable[str], item: str, path: Path) -> None:
    """See that a run whose procedure was carried out has something to tell of.

    Raises:
        NothingSweptError: a band has no sweep of the item, as where a schedule was over before.
    """
    swept = {band for band, kind, _ in kept.sweeps if kind == "insertions"}
    if missing := [band for band in bands if band not in swept]:
        raise NothingSweptError(
            f"nothing was swept of {item} in band {missing[0]} by the time the procedure ended: "
            "there is no result, and nothing to go on with; RF is off",
            where=str(path),
            hint="measure the item anew; what was read of the zero is kept",
        )


def stopped(request: StopRequested, kept: str, hint: str = "") -> StoppedError:
    """The error for a run that a signal ended."""
    error = StoppedError(f"stopped by {request}; RF is off; {kept}", hint=hint)
    error.exit_status = request.exit_status
    return error
