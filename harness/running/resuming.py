"""A stopped run taken up again: whether it may be, what it lacks, and carrying that out."""

from __future__ import annotations

import json
import shlex
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drivers.errors import InputError
from drivers.quantities import SI_CONTEXT
from drivers.stop_signals import StopRequested, StopSignals
from drivers.toml_file import raise_mistakes
from harness.bench.clock import as_iso
from harness.bench.procedure import Procedure
from harness.bench.rehearsal import StandIn
from harness.bench.replay import Replay
from harness.bench.takeover import MARK, read_json
from harness.bench.zero_judgement import GoingOn
from harness.evaluation.run_analysis import finish
from harness.report.words.suggested_command import go_on, station_again, suggested_command
from harness.run_file import (
    Kept,
    Kind,
    RunHeader,
    RunJournal,
    open_run,
    read_header,
    read_kept,
    read_last_swept,
    read_mean_times,
    read_rows,
    take_up,
)
from harness.run_file.run import Event
from harness.running.bench_start import BenchStart, next_start
from harness.running.connected import ConnectedStation, connect
from harness.running.finding_procedures import find_procedure, procedure_names
from harness.running.item_run import Assignment, ItemRun, require_item_swept, stopped
from harness.running.locks import lock_run
from harness.running.measure import rehearsed
from harness.running.open_station import OpenStation
from harness.running.planned_room import planned_bytes, require_planned_room
from harness.running.station_check import check_files
from harness.station.items import IDENTITY, Item, Workplace
from harness.station.station import Station, read_station

MAY_DIFFER = ("resource", "timeout_s", "visa_library")
"""Of every instrument: how it is reached, not what it is."""
NOT_COMPARED = ("traffic_log", "simulation.hand")
HAND = "simulated hand"
"""Role of what is no instrument, so may be another one, or none."""
MOST_TOLD = 5


@dataclass(frozen=True)
class Stopped:
    """A stopped run, as its file tells it."""

    path: Path
    header: RunHeader
    kept: Kept
    rows: dict[tuple[str, Kind], int]
    """Finished sweeps, suspect ones too, by band and kind."""
    times: dict[tuple[str, Kind, int], tuple[float, int]]
    """Mean Unix time of those that can be true, and how many, by band, kind and index."""
    last_joined: float
    """Unix s."""
    last_swept: float
    marks: tuple[dict[str, Any], ...]

    def past(self) -> Replay:
        """Its way through its procedure; made anew for each going-through."""
        bands = self.header.station["bands"]
        kept = self.kept
        return Replay(bands, kept.sweeps, kept.events, self.last_joined, self.last_swept)

    @property
    def bench_start(self) -> BenchStart | None:
        """How the simulated bench is to start, where one is started for the run."""
        return next_start(self.marks)

    @property
    def item(self) -> tuple[str, Item]:
        """Its item, as it was stated."""
        stated = {key: value for key, value in self.header.item.items() if key not in IDENTITY}
        item = Item.model_validate(stated, context=SI_CONTEXT, by_alias=False, by_name=True)
        return self.header.item["id"], item


def resume(
    path: Path,
    station_path: Path,
    procedure: str | None = None,
    begun: Callable[[Path], None] = lambda path: None,
) -> Path:
    """Go on with a stopped run to its end; returns its finished file.

    `procedure`: the file of a procedure of one's own, where it does not stand where it did.
    `begun` is told of the run once it is sure that there is something to go on with.

    Raises:
        BusyError: the run, or an instrument, is another process's.
        InputError: there is nothing to go on with, or station, instruments or procedure are
            others.
        ZeroMovedError: the zero is not where it was.
        InstrumentError, RunFileError: trouble on the way; RF is off, finished sweeps are kept.
        StoppedError: a signal ended it; RF is off, finished sweeps are kept.
    """
    with lock_run(path):
        run = read_stopped(path)
        begun(path)
        return _resume(run, station_path, procedure)


def _resume(run: Stopped, station_path: Path, procedure: str | None) -> Path:
    path = run.path
    name, item = run.item
    station = read_station(station_path)
    raise_mistakes(station.mistakes)
    if station.content is None:
        raise AssertionError("a file without mistakes has content")
    workplace = Workplace(station.content, {name: item}, station_path.resolve().parent)
    require_same_station(run, workplace)
    check_files(workplace, [name])
    assignment = _assignment(run, station_path, procedure)
    now = run.kept.last_time
    if station.content.simulation is None:
        now = max(now, time.time())
    stand_in = StandIn(now, needs_a_person=station.content.needs_a_person)
    work = rehearsed(assignment, name, station.content, stand_in, run.past())
    if not work.item_sweeps:
        # a schedule that is over, say: no instrument can change that
        require_item_swept(run.kept, station.content.bands, name, path)
    if not work.sweeps and not work.connections:
        return _finish(run, stand_in, now)
    is_finished = False
    with StopSignals() as stop:
        try:
            last_time = run.kept.last_time
            with connect(
                workplace, stop, goes_on=run.bench_start, not_before=last_time
            ) as connected:
                require_same_instruments(run, connected)
                traces = len(connected.source.traces)
                needed_bytes = planned_bytes(
                    [work], [band.points for band in station.content.bands.values()], traces
                )
                require_planned_room(path.parent, path.stat().st_size + needed_bytes)
                journal = take_up(path)
                going_on = _going_on(run, journal, station.content)
                place = OpenStation(workplace, connected, stop)
                ItemRun(place, assignment, name, item).go_on(work, run.past(), going_on)
                is_finished = True
                stop.look()
        except StopRequested as request:
            kept, hint = f"{path} is as it was", go_on(path, assignment.again)
            if is_finished:
                kept, hint = f"{path} is finished", ""
            raise stopped(request, kept, hint=hint) from request
    return path


def read_stopped(path: Path) -> Stopped:
    """What a stopped run holds.

    Raises:
        InputError: it is finished, or not a readable run file.
    """
    with open_run(path) as file:
        header = read_header(file)
        if header.finished:
            raise InputError(
                f"{str(path)!r} is finished: there is nothing to resume",
                hint=suggested_command("report", path),
            )
        kept = read_kept(file)
        marks = tuple(read_json(kept.events, MARK))
        return Stopped(
            path=path,
            header=header,
            kept=kept,
            rows=read_rows(file),
            times=read_mean_times(file),
            last_joined=read_last_swept(file, "normalization"),
            last_swept=read_last_swept(file, "insertions"),
            marks=marks,
        )


def _going_on(run: Stopped, journal: RunJournal, station: Station) -> GoingOn:
    return GoingOn(journal, station, run.rows, run.times, sum(run.kept.sweeps.values()))


def _finish(run: Stopped, stand_in: StandIn, now: float) -> Path:
    """Everything was swept; only the end is missing, for which no instrument is needed."""
    with StopSignals() as stop, stop.shutting_down():
        journal = take_up(run.path)
        try:
            for event in stand_in.events:
                journal.event(event)
            kept = sum(run.kept.sweeps.values())
            text = f"gone on with {kept} sweeps kept; everything had been swept"
            journal.event(Event(now, "resumed", text))
            journal.event(Event(now, "finished", "procedure carried out"))
        finally:
            journal.close()
        finish(run.path, as_iso(now))
    return run.path


def _assignment(run: Stopped, station: Path, given: str | None) -> Assignment:
    """The procedure that the run was made with, and its parameters.

    Raises:
        InputError: it is not there any more, or takes other parameters.
    """
    again = station_again(station)
    procedure = _procedure(run, given, again)
    if procedure.takes_lots:
        raise InputError(
            f"{str(run.path)!r} is one item of a lot, and a lot is gone on with as a whole",
            hint="the command that began it, with --results "
            f"{shlex.quote(str(run.path.parent))}; it asks for this item again",
        )
    names = {parameter.name for parameter in procedure.parameters}
    recorded = run.header.parameters
    if names != set(recorded):
        differing = ", ".join(sorted(names ^ set(recorded)))
        raise InputError(
            f"the procedure {procedure.name!r} is not the one that this run was made with: its "
            f"parameters differ ({differing})",
            where=str(run.path),
            hint="take the procedure as it was, or measure the item again",
        )
    if given is not None:
        again = (*again, "--procedure", given)
    return Assignment(procedure, recorded, run.path.parent, again=again)


def _procedure(run: Stopped, given: str | None, again: tuple[str | Path, ...]) -> Procedure:
    if given is not None:
        return find_procedure(given)
    with_file = suggested_command("resume", run.path, *again, "--procedure", "FILE")
    files = [mark["procedure"] for mark in run.marks if "procedure" in mark]
    if files and not Path(files[-1]).is_file():
        raise InputError(
            f"the procedure of this run stood in {files[-1]!r}, where it is no longer",
            hint=f"say where it is:\n{with_file}",
        )
    if not files and run.header.procedure not in procedure_names():
        raise InputError(
            f"there is no procedure {run.header.procedure!r} to go on with",
            where=str(run.path),
            hint=f"say which it is:\n{with_file}",
        )
    return find_procedure(files[-1] if files else run.header.procedure)


def require_same_station(run: Stopped, workplace: Workplace) -> None:
    """Check the station against that of the run, but for how its instruments are reached.

    Raises:
        InputError: they differ; names the keys.
    """
    then, now = (
        dict(_leaves(json.loads(json.dumps(station))))
        for station in (run.header.station, workplace.station.as_dict())
    )
    differing = [key for key in {**then, **now} if then.get(key) != now.get(key)]
    if run.header.simulated_bench and not differing:
        simulation = workplace.station.simulation
        bench = workplace.folder / simulation.bench if simulation and simulation.bench else None
        if bench is None or bench.read_text("utf-8") != run.header.simulated_bench:
            differing = ["the description of the simulated bench"]
    if differing:
        more = f" and {len(differing) - MOST_TOLD} more" if len(differing) > MOST_TOLD else ""
        told = [_difference(key, then, now) for key in differing[:MOST_TOLD]]
        raise InputError(
            f"the station is not as it was when this run was made: {'; '.join(told)}{more}",
            where=str(run.path),
            hint="name the station file as it was with --station, or measure the item again",
        )


def _difference(key: str, then: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    if key not in then and key not in now:
        return f"{key} differs"
    return f"{key} was {then.get(key, 'not stated')}, is {now.get(key, 'not stated')}"


def _leaves(table: Mapping[str, Any], above: str = "") -> list[tuple[str, Any]]:
    """Every value by its dotted key, but for those that may differ."""
    found: list[tuple[str, Any]] = []
    for key, value in table.items():
        name = f"{above}{key}"
        if name in NOT_COMPARED or (above and key in MAY_DIFFER):
            continue
        if isinstance(value, Mapping):
            found += _leaves(value, f"{name}.")
        else:
            found.append((name, value))
    return found


def require_same_instruments(run: Stopped, connected: ConnectedStation) -> None:
    """Check, role by role, that the instruments are the ones that were used.

    Raises:
        InputError: one is another.
    """
    then, now = (
        {each["role"]: each["identity"] for each in instruments if each["role"] != HAND}
        for instruments in (run.header.instruments, connected.instruments)
    )
    for role in {**then, **now}:
        if then.get(role) != now.get(role):
            raise InputError(
                f"the {role} is not the one that this run was made with: that was "
                f"{then.get(role, 'none')!r}, this is {now.get(role, 'none')!r}",
                where=str(run.path),
                hint="connect the instrument that was used, or measure the item again",
            )
