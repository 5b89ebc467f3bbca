"""A run that goes on in another process, looked at through its file alone."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drivers.errors import InputError, TarelineError
from drivers.sweep import SweepSettings
from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import BandResult
from harness.analysis.loss.loss import level_db, transmission_row
from harness.evaluation.standing import standing_of_band, worst_point
from harness.evaluation.watch_look import BandLook, Look
from harness.run_file import Group, RunHeader, open_run, read_events, read_header, read_temperature
from harness.run_file.reading import read_traces, sound_rows
from harness.run_file.run import FOR_PROGRAMS, Event, moment

if TYPE_CHECKING:
    from harness.bench.rehearsal import Workload

LAST_SWEEPS = 5
MOST_SHARE = 0.1
"""Share of the time that working out the uncertainty may take."""
QUIET_INTERVALS = 4.0
"""Intervals without a word after which the writer may be gone."""
SHORTEST_QUIET_S = 60.0
ATTEMPTS = 5
BETWEEN_ATTEMPTS_S = 0.1
FAULTS = ("recovery", "missed", "error")
ENDED = ("stopped", "error")
"""Kinds of a last event after which nobody writes."""


@dataclass(frozen=True)
class _Stated:
    """What the header of a run says beforehand."""

    through_loss_db: dict[str, float]
    """Mean over each band of the loss of what closed the through."""
    planned: Workload | None
    """All of it; None where the procedure is not at hand, or is somebody's own: a watcher does not
    carry that out."""
    takes_lots: bool
    """Whether the zero was swept before, and stands in the file from the beginning."""

    def planned_sweeps(self, through: int) -> int | None:
        """Sweeps in all, of which so many of the through are kept."""
        if self.planned is None:
            return None
        return through + self.planned.item_sweeps if self.takes_lots else self.planned.sweeps


@dataclass
class Watcher:
    """Looks at one run again and again; what costs time is done at a bounded share of it."""

    path: Path
    clock: Callable[[], float] = time.time
    _results: dict[str, BandResult] = field(default_factory=dict)
    _evaluated: float = -math.inf
    _cost_s: float = 0.0
    _counted: int = -1
    _stated: _Stated | None = None

    def look(self, *, evaluates: bool = True) -> Look:
        """What the file says now; without working the uncertainty out it is there at once.

        Raises:
            InputError: it is not a readable run file.
        """
        for attempt in range(1, ATTEMPTS + 1):
            try:
                return self._look(evaluates=evaluates)
            except InputError:
                # its writer may just be closing it, or putting the finished file in its place
                if attempt == ATTEMPTS or not self.path.is_file():
                    raise
                time.sleep(BETWEEN_ATTEMPTS_S)
        raise AssertionError("the last attempt returns or raises")

    def _look(self, *, evaluates: bool) -> Look:
        with open_run(self.path) as file:
            quiet_s = max(self.clock() - self.path.stat().st_mtime, 0.0)
            header, events = read_header(file), read_events(file)
            counts = {band: _counts(group) for band, group in file["bands"].items()}
            stated = self._stated = self._stated or _stated(header)
            last_db = {
                band: _last_losses_db(group, read_traces(file), stated.through_loss_db[band])
                for band, group in file["bands"].items()
            }
            times = [_last_time(part[kind]) for part in file["bands"].values()
                     for kind in ("normalization", "insertions")]  # fmt: skip
            zero = max((_last_time(p["normalization"]) for p in file["bands"].values()),
                       default=-math.inf)  # fmt: skip
            _, temperature = read_temperature(file)
        sweeps = sum(through + item for through, item in counts.values())
        if evaluates:
            self._evaluate(sweeps, all(item for _, item in counts.values()))
        last = max([*times, *(event.time for event in events)], default=-math.inf)
        start = moment(header.started)
        begun = start.timestamp() if start else last
        schedule = _schedule(events)
        planned = stated.planned_sweeps(sum(through for through, _ in counts.values()))
        left = _left_s(schedule, last, begun, sweeps, planned)
        faults = [event for event in events if event.kind in FAULTS]
        told = [event for event in events if event.kind not in FOR_PROGRAMS]
        ended = events[-1] if events and events[-1].kind in ENDED else None
        interval = float(schedule["every_s"]) if schedule else (last - begun) / max(sweeps, 1)
        ticks, planned_ticks = _ticks(schedule, last)
        return Look(
            run_id=header.run_id,
            item=str(header.item.get("id", "")),
            procedure=header.procedure,
            started=header.started,
            finished=header.finished,
            simulated=header.simulated,
            sweeps=sweeps,
            planned=planned,
            ticks=ticks,
            planned_ticks=planned_ticks,
            run_time_s=max(last - begun, 0.0) if math.isfinite(last) else 0.0,
            left_s=None if header.finished or ended else left,
            zero_age_s=max(last - zero, 0.0) if math.isfinite(zero) else None,
            temperature_c=float(temperature[-1]) if len(temperature) else None,
            faults=len(faults),
            last_fault=faults[-1].text if faults else "",
            last_event=told[-1].text if told else "",
            ended="" if header.finished or ended is None else f"{ended.kind}: {ended.text}",
            quiet_s=quiet_s,
            is_quiet=not header.finished
            and quiet_s > max(QUIET_INTERVALS * interval, SHORTEST_QUIET_S),
            bands=tuple(
                self._band(band, counts[band][1], last_db[band]) for band in header.station["bands"]
            ),
            evaluated_s=self.clock() - self._evaluated if self._results else None,
        )

    def _evaluate(self, sweeps: int, has_readings: bool) -> None:
        """Evaluate the run so far, unless nothing is new or the last time cost too much."""
        from harness.evaluation.run_analysis import assess

        waited = self.clock() - self._evaluated
        if not has_readings or sweeps == self._counted or waited * MOST_SHARE < self._cost_s:
            return
        began = time.monotonic()
        try:
            self._results = assess(self.path, with_stability=False)
        except TarelineError:
            # too little to evaluate yet: the counts are shown, and the next look tries again
            self._results = {}
        self._cost_s = time.monotonic() - began
        self._evaluated, self._counted = self.clock(), sweeps

    def _band(self, name: str, sweeps: int, last_db: tuple[float, ...]) -> BandLook:
        result = self._results.get(name)
        if result is None:
            return BandLook(name, sweeps, last_db, None)
        point = worst_point(result)
        zero = result.zero_change_db.mean(axis=1)
        has_limit = math.isfinite(point.limit_db)
        return BandLook(
            name=name,
            sweeps=sweeps,
            last_db=last_db,
            mean_db=float(result.insertion_loss_db.mean()),
            worst_hz=point.frequency_hz,
            worst_db=point.insertion_loss_db,
            expanded_uncertainty_db=point.expanded_uncertainty_db,
            limit_db=point.limit_db if has_limit else None,
            standing=standing_of_band(result).word,
            zero_change_db=float(zero[-1] - zero[-2]) if len(zero) > 1 else None,
        )


def newest_unfinished(folder: Path) -> Path:
    """The run file in `folder` that was written to last among those not finished.

    Raises:
        InputError: there is none.
    """
    found = sorted(folder.glob("*.h5"), key=lambda path: path.stat().st_mtime, reverse=True)
    for path in found:
        try:
            with open_run(path) as file:
                if not read_header(file).finished:
                    return path
        except InputError:
            # not a run file, or one that is being replaced this moment; another may do
            continue
    raise InputError(
        f"there is no unfinished run in {str(folder)!r}",
        hint="name a run file, or with --results the folder of the run",
    )


def _counts(group: Group) -> tuple[int, int]:
    """Sweeps of through and item that can be true."""
    through, item = (
        int(np.count_nonzero(sound_rows(group[kind]))) for kind in ("normalization", "insertions")
    )
    return through, item


def _last_time(part: Group) -> float:
    done = len(sound_rows(part))
    return float(part["time"][done - 1]) if done else -math.inf


def _last_losses_db(
    group: Group, traces: tuple[str, ...], through_loss_db: float
) -> tuple[float, ...]:
    """Band means of the last sweeps against the last making of the through."""
    row = transmission_row(traces)
    through, item = group["normalization"], group["insertions"]
    good = np.flatnonzero(sound_rows(through))
    swept = np.flatnonzero(sound_rows(item))[-LAST_SWEEPS:]
    if not len(good) or not len(swept):
        return ()
    making = through["making"][: int(good[-1]) + 1][good]
    last = good[making == making[-1]]
    reference = _levels_db(through, last, row).mean(axis=0)
    losses = (reference - _levels_db(item, swept, row)).mean(axis=1) + through_loss_db
    return tuple(losses.tolist())


def _levels_db(part: Group, rows: Any, trace: int) -> FloatArray:
    return level_db(part["readings"][int(rows[0]) : int(rows[-1]) + 1, trace][rows - rows[0]])


def _schedule(events: tuple[Event, ...]) -> dict[str, float] | None:
    for event in events:
        if event.kind == "schedule":
            try:
                stated = json.loads(event.text)
                return {key: float(stated[key]) for key in ("start", "every_s", "lasting_s")}
            except (KeyError, TypeError, ValueError):
                # written by another version: counts are shown instead
                return None
    return None


def _ticks(schedule: dict[str, float] | None, last: float) -> tuple[int | None, int | None]:
    if schedule is None or schedule["every_s"] <= 0.0:
        return None, None
    planned = max(math.ceil(schedule["lasting_s"] / schedule["every_s"] - 1e-9), 1)
    over = math.floor((last - schedule["start"]) / schedule["every_s"]) + 1
    return min(max(over, 0), planned), planned


def _left_s(
    schedule: dict[str, float] | None,
    last: float,
    begun: float,
    sweeps: int,
    planned: int | None,
) -> float | None:
    if schedule is not None:
        return max(schedule["start"] + schedule["lasting_s"] - last, 0.0)
    if planned is None or not sweeps or not math.isfinite(last):
        return None
    return max(planned - sweeps, 0) * max(last - begun, 0.0) / sweeps


def _stated(header: RunHeader) -> _Stated:
    from harness.station.station import Station

    station = Station.as_it_stood(header.station, header.catalogue)
    bands = {band: station.settings(band) for band in station.bands}
    through = station.through
    return _Stated(
        {
            band: 0.0 if through is None else float(through.loss_db(of.frequency_hz()).mean())
            for band, of in bands.items()
        },
        *_planned(header, bands),
    )


def _planned(header: RunHeader, bands: dict[str, SweepSettings]) -> tuple[Workload | None, bool]:
    """The work of the whole procedure, by rehearsing it, and whether it takes lots; no work where
    it is not at hand."""
    from harness.bench.lot_rehearsal import rehearse_lot
    from harness.bench.rehearsal import rehearse
    from harness.running.finding_procedures import find_procedure, procedure_names

    if header.procedure not in procedure_names():
        return None, False
    procedure = find_procedure(header.procedure)
    # a trial of a study says more in its header: who measures, and how often before
    own = {parameter.name for parameter in procedure.parameters}
    given = {name: value for name, value in header.parameters.items() if name in own}
    function = partial(procedure.function, **given)
    try:
        if procedure.takes_lots:
            return rehearse_lot(function, bands), True
        return rehearse(function, str(header.item.get("id", "")), bands), False
    except (TarelineError, TypeError):
        # the procedure of this version takes other parameters
        return None, False
