"""The round over items: each is rehearsed, then measured, one run file each."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path

from drivers.errors import InputError, LeftError, TarelineError
from drivers.quantities import counted
from drivers.stop_signals import StopRequested, StopSignals
from harness.bench.operator_lines import Asked, OperatorCommand
from harness.bench.procedure_errors import in_rehearsal
from harness.bench.rehearsal import StandIn, Workload, rehearse
from harness.bench.replay import Replay
from harness.running.connected import connect
from harness.running.item_run import Assignment, ItemRun, stopped
from harness.running.open_station import OpenStation
from harness.running.planned_room import planned_bytes, require_planned_room
from harness.running.station_check import check_files
from harness.station.items import Item, Workplace
from harness.station.station import Station

__all__ = ["Assignment", "measure", "rehearsed"]


def measure(workplace: Workplace, items: Mapping[str, Item], assignment: Assignment) -> list[Path]:
    """Measure every item; returns their finished run files, without items that were left out.

    Raises:
        LeftError: the operator stopped, or left every item out; finished sweeps are kept.
        InputError: the procedure is wrong (found before anything is connected).
        InstrumentError, RunFileError: trouble on the way; RF is off, finished sweeps are kept.
        StoppedError: a signal ended it; RF is off, finished sweeps are kept.
    """
    if assignment.results.exists() and not assignment.results.is_dir():
        raise InputError(
            f"{str(assignment.results)!r} is not a folder", hint="choose another with --results"
        )
    check_files(workplace, list(items))
    work = {item: rehearsed(assignment, item, workplace.station) for item in items}
    finished: list[Path] = []
    begun: list[str] = []
    with StopSignals() as stop:
        try:
            with connect(workplace, stop) as connected:
                traces = len(connected.source.traces)
                needed_bytes = planned_bytes(
                    work.values(),
                    [band.points for band in workplace.station.bands.values()],
                    traces,
                )
                require_planned_room(assignment.results, needed_bytes)
                place = OpenStation(workplace, connected, stop)
                for name, item in items.items():
                    begun.append(name)
                    path = _measured(place, assignment, (name, item), work[name])
                    finished += [] if path is None else [path]
                    stop.look()
        except StopRequested as request:
            # a stop outside of a run: while connecting, or between two items
            raise stopped(request, f"{counted(len(finished), 'finished run')} kept") from request
        except TarelineError as error:
            not_begun = list(items)[len(begun) :]
            if not_begun:
                # a command to paste stays at the end
                error.hint = "; ".join(
                    filter(None, (f"not begun: {', '.join(not_begun)}", error.hint))
                )
            raise
    if not finished:
        raise LeftError(f"nothing has a verdict: {', '.join(items)} left out at the prompt")
    return finished


def _measured(
    place: OpenStation, assignment: Assignment, named: tuple[str, Item], work: Workload
) -> Path | None:
    """The finished run file of an item; None where the operator left it out."""
    while True:
        try:
            return ItemRun(place, assignment, *named).measure(work)
        except Asked as asked:
            is_again = asked.command is OperatorCommand.REDO
            becomes = "is measured from the start" if is_again else "is left out"
            place.terminal.say(f"! {named[0]} {becomes}; what was read is kept.")
            if not is_again:
                return None


def rehearsed(
    assignment: Assignment,
    item: str,
    station: Station,
    stand_in: StandIn | None = None,
    past: Replay | None = None,
) -> Workload:
    """What a procedure asks for; of a run that goes on, what lies behind its `past`.

    Raises:
        InputError: the procedure is wrong, or not the one that the run was made with.
    """
    function = partial(assignment.procedure.function, **assignment.parameters)
    bands = {band: station.settings(band) for band in station.bands}
    stand_in = stand_in or StandIn(needs_a_person=station.needs_a_person)
    with in_rehearsal(assignment.procedure.name):
        return rehearse(function, item, bands, stand_in, past)
