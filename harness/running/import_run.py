"""A run file out of recorded sweeps: the same header, readings, analysis and report as any run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from drivers.errors import InputError
from drivers.quantities import TIME_UNITS, parse_quantity
from drivers.recorded import Recording, read_recording
from drivers.sweep import SuspectSweepError, Sweep
from harness.analysis.loss.plausibility import through_fault
from harness.bench.clock import as_iso
from harness.bench.readings_check import require_plausible, same_points, transmission_of
from harness.evaluation.run_analysis import finish
from harness.run_file import Kind, RunJournal
from harness.run_file.history import earlier_runs, write_history
from harness.run_file.run import DOUBT, Event
from harness.running.connection_statements import judge_of
from harness.running.new_run import Origin, header_of, run_id
from harness.running.recorded_traces import measured_alone, require_own_readings
from harness.station.items import Workplace, item_as_dict

PROCEDURE = "import"
FEWEST_POINTS = 2
MOST_THROUGHS = 2


@dataclass(frozen=True)
class Recordings:
    """What is to be made into a run."""

    through: tuple[Path, ...]
    """The opening one, and perhaps the closing one."""
    item: tuple[Path, ...]
    """One for each insertion, in order."""
    transmission: str = "S21"
    spacing: str | None = None
    """Time from one file to the next; None: the files' own times."""
    is_simulated: bool = False


@dataclass(frozen=True)
class _Placed:
    """One file in its place: what it is a sweep of, which one, and when it was made."""

    recording: Recording
    kind: Kind
    index: int
    time: float


def import_run(workplace: Workplace, item: str, recordings: Recordings, results: Path) -> Path:
    """Write and finish the run file of an item from recorded files; returns its path.

    Raises:
        InputError: a file cannot be used, or they do not fit together or to the station.
        RunFileError: the disk refused.
    """
    placed, unmeasured = _measured(_in_order(recordings))
    sweeps = {band: _sweeps(workplace, band, placed) for band in workplace.station.bands}
    require_own_readings([each.recording for each in placed])
    started = placed[0].time
    instruments = tuple(_instrument(workplace, each) for each in placed)
    header = header_of(
        run_id(started, PROCEDURE, item),
        started,
        Origin(workplace.station, instruments, recordings.is_simulated),
        item_as_dict(item, workplace.items[item]),
        (PROCEDURE, _parameters(placed, recordings)),
    )
    grids = {band: made[0].frequency_hz for band, made in sweeps.items()}
    told: list[str] = []
    history = earlier_runs(workplace.station, workplace.folder, grids, told.append)
    journal = RunJournal(
        results / f"{header.run_id}.h5",
        header,
        grids,
        placed[0].recording.traces,
        partial(write_history, history=history),
    )
    try:
        for band, made in sweeps.items():
            for each, sweep in zip(placed, made, strict=True):
                journal.append(band, each.kind, each.index, sweep)
        for text in _doubts(workplace, item, placed, sweeps):
            journal.event(Event(placed[-1].time, DOUBT, text))
        for text in [*told, *unmeasured, *_events(placed)]:
            journal.event(Event(started, "note", text))
        journal.event(Event(placed[-1].time, "finished", "all files taken in"))
    finally:
        journal.close()
    finish(journal.path, as_iso(placed[-1].time))
    return journal.path


def _doubts(
    workplace: Workplace, item: str, placed: Sequence[_Placed], sweeps: Mapping[str, list[Sweep]]
) -> Iterator[str]:
    """What cannot be what it is said to be; nobody can be asked, so there is no verdict then."""
    judge = judge_of(workplace.station, lambda name: workplace.items[name], ())
    for number, each in enumerate(placed):
        swept = {band: [made[number]] for band, made in sweeps.items()}
        is_through = each.kind == "normalization"
        doubt = judge.of_through(swept) if is_through else judge.of_item(item, swept)
        if doubt is not None:
            yield (
                f"{each.recording.path.name}: {doubt.text} Are the files of through and item "
                "exchanged, or is it another one's?"
            )
        if is_through:
            judge.keep_through(swept)
        else:
            judge.keep_item(item, swept)


def _measured(placed: Sequence[_Placed]) -> tuple[list[_Placed], list[str]]:
    """The files with the traces that were measured, and what was left out."""
    read = [each.recording for each in placed]
    _require_alike(read)
    kept, told = measured_alone(read)
    return [
        replace(each, recording=recording) for each, recording in zip(placed, kept, strict=True)
    ], told


def _in_order(recordings: Recordings) -> list[_Placed]:
    """All files in the order in which they were made, with their times."""
    if len(recordings.through) > MOST_THROUGHS:
        raise InputError(
            f"{len(recordings.through)} files of the through were given",
            hint="give the opening one, and at most one more, made after the last insertion",
        )
    kinds: list[tuple[Kind, int, Path]] = [("normalization", 0, recordings.through[0])]
    kinds += [("insertions", index, path) for index, path in enumerate(recordings.item)]
    kinds += [("normalization", 1, path) for path in recordings.through[1:]]
    read = [read_recording(path, recordings.transmission) for _, _, path in kinds]
    times = _times(read, recordings.spacing)
    return [
        _Placed(recording, kind, index, time)
        for recording, (kind, index, _), time in zip(read, kinds, times, strict=True)
    ]


def _times(read: Sequence[Recording], spacing: str | None) -> list[float]:
    if spacing is not None:
        try:
            step_s = parse_quantity(spacing, TIME_UNITS, "2 min")
        except ValueError as error:
            raise InputError(f"--spacing: {error}") from error
        if step_s <= 0.0:
            raise InputError(
                f"--spacing: {spacing!r} is no time to pass", hint="give it as in 2 min"
            )
        return [read[0].modified + step_s * position for position in range(len(read))]
    times = [recording.modified for recording in read]
    for before, after in pairwise(read):
        if after.modified <= before.modified:
            raise InputError(
                f"{str(after.path)!r} is not younger than {str(before.path)!r}, which was made "
                "before it: opening through, insertions in order, closing through",
                hint="correct the order; or, where copying has lost the files' times, give the "
                'time from one measurement to the next: --spacing "2 min"',
            )
    return times


def _require_alike(read: Sequence[Recording]) -> None:
    """Files that are to be compared have the same traces and reference resistance."""
    first = read[0]
    for other in read[1:]:
        if other.traces != first.traces:
            raise InputError(
                f"{str(other.path)!r} has {', '.join(other.traces)} and {str(first.path)!r} has "
                f"{', '.join(first.traces)}",
                hint="save all of them with the same number of ports",
            )
        if other.reference_ohm != first.reference_ohm:
            raise InputError(
                f"{str(other.path)!r} is for {other.reference_ohm:g} ohm and {str(first.path)!r} "
                f"for {first.reference_ohm:g} ohm",
                hint="save all of them with the same reference resistance",
            )


def _sweeps(workplace: Workplace, band: str, placed: Sequence[_Placed]) -> list[Sweep]:
    """The part of every file that lies in a band; nothing is interpolated."""
    stated, floor_db = workplace.station.bands[band], workplace.station.floor_db
    made: list[Sweep] = []
    for each in placed:
        recording = each.recording
        sweep = recording.within(stated.start_hz, stated.stop_hz, each.time)
        points = len(sweep.frequency_hz)
        if points < FEWEST_POINTS:
            low_hz, high_hz = recording.frequency_hz[0], recording.frequency_hz[-1]
            raise InputError(
                f"{points} of the file's points lie in band {band} ({stated.start_hz / 1e6:g} MHz "
                f"to {stated.stop_hz / 1e6:g} MHz); at least {FEWEST_POINTS} are needed, and none "
                "are made up in between",
                where=f"{recording.path}, {low_hz / 1e6:g} MHz to {high_hz / 1e6:g} MHz",
                hint="measure with more points in that band, or take the band out of the station "
                "file",
            )
        grid_hz = made[0].frequency_hz if made else sweep.frequency_hz
        if not same_points(sweep.frequency_hz, grid_hz):
            raise InputError(
                f"{str(recording.path)!r} has other points in band {band} than "
                f"{str(placed[0].recording.path)!r}; they are compared point by point",
                hint="measure all of them with the same start, stop and number of points",
            )
        try:
            require_plausible(sweep, recording.traces, grid_hz, floor_db)
        except SuspectSweepError as error:
            raise InputError(
                f"{error.what} (band {band})", where=str(recording.path), hint=error.hint
            ) from error
        fault = through_fault(transmission_of(sweep)) if each.kind == "normalization" else ""
        if fault:
            raise InputError(
                f"{fault} (band {band})",
                where=str(recording.path),
                hint="is it the file of the through? Its loss must be measured the same way as "
                "that of the item",
            )
        made.append(Sweep(grid_hz, sweep.traces, sweep.readings, sweep.time))
    return made


def _parameters(placed: Sequence[_Placed], recordings: Recordings) -> dict[str, Any]:
    """Which files, each with its SHA-256."""

    def listed(kind: Kind) -> list[str]:
        return [
            f"{each.recording.path.name} (SHA-256 {each.recording.sha256})"
            for each in placed
            if each.kind == kind
        ]

    return {
        "through": listed("normalization"),
        "item": listed("insertions"),
        "transmission": recordings.transmission,
        "reference_ohm": placed[0].recording.reference_ohm,
        "times": "of the files" if recordings.spacing is None else f"every {recordings.spacing}",
    }


def _instrument(workplace: Workplace, each: _Placed) -> dict[str, str]:
    recorded = workplace.station.recorded
    stated = "" if recorded is None else recorded.instrument
    which = "through" if each.kind == "normalization" else "item"
    return {
        "role": f"file of the {which}, {each.index + 1}",
        "resource": each.recording.path.name,
        "identity": stated or each.recording.remark or "not stated",
    }


def _events(placed: Sequence[_Placed]) -> list[str]:
    texts = [f"imported on {as_iso(datetime.now(tz=UTC).timestamp())}"]
    texts += [
        f"{each.recording.path.name}: {each.recording.remark}"
        for each in placed
        if each.recording.remark
    ]
    unlike = placed[0].recording.reference_ohm
    if not np.isclose(unlike, 50.0):
        texts.append(f"the reference resistance is {unlike:g} ohm, and so is that of the loss")
    return texts
