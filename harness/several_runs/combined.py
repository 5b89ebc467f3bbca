"""Several finished runs of one station as what a common model needs: losses and how they err."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from drivers.errors import InputError
from drivers.quantities import SI_CONTEXT
from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import BandReadings, BandResult
from harness.analysis.loss.contributions_from_readings import (
    FEWEST_FOR_SCATTER,
    INSERTIONS_ESTIMATE,
)
from harness.analysis.several_runs.linear_model import RunErrors, pooled_scatter
from harness.analysis.uncertainty.budget import Contribution
from harness.analysis.uncertainty.mismatch import (
    TwoPort,
    mismatch_uncertainty_db,
    reflection_magnitude,
)
from harness.evaluation.read_back import read_run
from harness.run_file import open_run, read_readings
from harness.run_file.run import Run
from harness.station.items import IDENTITY, Item
from harness.station.station import Station

COMMON_CAUSES = frozenset({"through adapter", "paths of the switch"})
"""Lines of a budget that shift all runs of a station alike."""
OWN_CAUSES = frozenset(
    {
        "insertion repeatability",
        "connection of the reference",
        "noise",
        "noise of the reference",
        "drift of the zero",
    }
)
"""Lines that are drawn anew in every run. Of any other line it is not known; it counts as both."""
MISMATCH = "mismatch"
"""A line of which only the items' share is not known so: that of the through is common."""
SEGMENT_RATIO = 1.1
"""Reflections are averaged over frequencies within this ratio, and over runs where they may."""


@dataclass(frozen=True)
class CombinedBand:
    """One band of N runs at P frequencies."""

    name: str
    frequency_hz: FloatArray
    insertion_loss_db: FloatArray
    """(N, P)"""
    errors: RunErrors
    one_connection_db: FloatArray
    """(P,) standard deviation of one making of one connection."""
    reflection: FloatArray | None
    """(N, P) root mean square magnitude over frequency and both ends; None: not known."""


@dataclass(frozen=True)
class CombinedRuns:
    """N finished runs of one station, in the order given."""

    runs: tuple[Run, ...]
    items: tuple[Item, ...]
    bands: tuple[CombinedBand, ...]
    notes: tuple[str, ...]

    @property
    def is_simulated(self) -> bool:
        """Whether any of the readings are."""
        return any(run.simulated for run in self.runs)

    @property
    def sources(self) -> str:
        """The runs, as a source."""
        said = " (SIMULATED)" if self.is_simulated else ""
        return f"runs{said} {', '.join(run.run_id for run in self.runs)}"


def item_of(run: Run) -> Item:
    """The item as it was stated when the run was made; raises InputError."""
    stated = {key: value for key, value in run.item.items() if key not in IDENTITY}
    with _damage_told(run):
        return Item.model_validate(stated, context=SI_CONTEXT, by_alias=False, by_name=True)


def station_of(run: Run) -> Station:
    """The station as it stood when the run was made; raises InputError."""
    with _damage_told(run):
        return Station.as_it_stood(run.station, run.catalogue)


@contextmanager
def _damage_told(run: Run) -> Iterator[None]:
    try:
        yield
    except ValueError as error:
        raise InputError(
            f"{str(run.path)!r} is damaged: {error}", hint="take the copy in your backup"
        ) from error


def combine_runs(paths: Sequence[Path]) -> CombinedRuns:
    """Read runs that belong together.

    Raises:
        InputError: a run is not finished, or they were not made alike: another station, other
            bands or frequencies, a run given twice.
    """
    runs = [read_run(path) for path in paths]
    _require_alike(runs)
    readings = []
    for path in paths:
        with open_run(path) as file:
            readings.append(read_readings(file))
    items = tuple(item_of(run) for run in runs)
    station = station_of(runs[0])
    notes: list[str] = []
    try:
        bands = tuple(
            _band(
                [run.bands[name] for run in runs],
                [r[name] for r in readings],
                items,
                name,
                station,
                notes,
            )
            for name in runs[0].bands
        )
    except ValueError as error:
        raise InputError(f"the runs cannot be combined: {error}") from error
    return CombinedRuns(tuple(runs), items, bands, tuple(dict.fromkeys(notes)))


def _require_alike(runs: Sequence[Run]) -> None:
    if not runs:
        raise InputError("there is no run to combine", hint="name the .h5 files of the runs")
    first = runs[0]
    seen: set[str] = set()
    for run in runs:
        if not run.finished:
            raise InputError(f"{str(run.path)!r} is not finished: it states no loss to combine")
        if run.run_id in seen:
            raise InputError(f"the run {run.run_id} is given twice", hint="name each run once")
        seen.add(run.run_id)
        for key, what in (("name", "station"), ("through", "through adapter"), ("leads", "leads")):
            if run.station.get(key) != first.station.get(key):
                raise InputError(
                    f"{run.run_id} was not made with the {what} of {first.run_id}: their errors "
                    "hang together in no known way",
                    hint="combine runs of one station as it stood",
                )
        if set(run.bands) != set(first.bands) or any(
            not np.array_equal(run.bands[name].frequency_hz, first.bands[name].frequency_hz)
            for name in first.bands
        ):
            raise InputError(f"{run.run_id} has other bands or frequencies than {first.run_id}")


def _band(
    results: Sequence[BandResult],
    readings: Sequence[BandReadings],
    items: Sequence[Item],
    name: str,
    station: Station,
    notes: list[str],
) -> CombinedBand:
    reflections = [
        reflection_rms(r, result.frequency_hz, item)
        for r, result, item in zip(readings, results, items, strict=True)
    ]
    known = [reflection for reflection in reflections if reflection is not None]
    if len(known) < len(reflections):
        notes.append(
            "What reflections within the items do to their losses is NOT in U: they were neither "
            "measured nor stated (return_loss)."
        )
    return CombinedBand(
        name=name,
        frequency_hz=results[0].frequency_hz,
        insertion_loss_db=np.stack([result.insertion_loss_db for result in results]),
        errors=run_errors(results, mismatch_of_through_db(station, results[0].frequency_hz)),
        one_connection_db=one_connection_db(results, station),
        reflection=np.stack(known) if len(known) == len(reflections) else None,
    )


def mismatch_of_through_db(station: Station, frequency_hz: FloatArray) -> FloatArray:
    """The share of the through in the uncertainty of mismatch, (P,), the same in every run."""
    through = station.through
    a = 0.0 if through is None else reflection_magnitude(through.return_loss_db)
    loss_db = np.zeros_like(frequency_hz) if through is None else through.loss_db(frequency_hz)
    source = reflection_magnitude(station.source_match_db)
    load = reflection_magnitude(station.receiver.load_match_db)
    transmission = 10.0 ** (-loss_db / 20.0)
    return mismatch_uncertainty_db(
        source, load, TwoPort(a, a, transmission), TwoPort(0.0, 0.0, 0.0)
    )


def run_errors(results: Sequence[BandResult], of_through_db: FloatArray) -> RunErrors:
    """How the losses of one band of N runs err, from their budgets; `of_through_db` (P,) is what
    of the line `MISMATCH` is common to them.

    The scatter of insertions is pooled over the runs, which have leads and connectors of one
    kind; where one has too few insertions for it, all count with what the budget states.

    Raises:
        ValueError: all insertions of a run agree exactly.
    """
    losses = [_lines(result.budget, of_through_db) for result in results]
    scattered = all(any(line.is_scatter for line in lines) for lines in losses)
    if scattered:
        scatter, dof = pooled_scatter(
            np.stack([_root_sum(lines, lambda line: line.is_scatter) for lines in losses]),
            np.stack([np.std(r.insertion_means_db, axis=0, ddof=1) for r in results]),
            [len(r.insertion_means_db) - 1.0 for r in results],
        )
    else:
        scatter, dof = np.zeros((len(results), len(results[0].frequency_hz))), np.inf
    own = [
        _root_sum(lines, lambda line: line.is_own and not (scattered and line.is_scatter))
        for lines in losses
    ]
    names = dict.fromkeys(line.name for lines in losses for line in lines if line.is_common)
    common = tuple(
        np.stack([_root_sum(lines, partial(_is_common, name)) for lines in losses])
        for name in names
    )
    return RunErrors(scatter, dof, np.stack(own), common)


def one_connection_db(results: Sequence[BandResult], station: Station) -> FloatArray:
    """Standard deviation of one making of one connection, (P,): an insertion makes two. Pooled
    over the runs, or as the station states where they have too few insertions."""
    means = [result.insertion_means_db for result in results]
    enough = [rows for rows in means if len(rows) >= FEWEST_FOR_SCATTER]
    if not enough:
        shape = results[0].frequency_hz.shape
        return np.full(shape, station.leads.connection_repeatability_db)
    squares = np.sum([np.var(rows, axis=0, ddof=1) * (len(rows) - 1) for rows in enough], axis=0)
    dof = sum(len(rows) - 1 for rows in enough)
    return np.asarray(np.sqrt(squares / dof / 2.0))


@dataclass(frozen=True)
class _Line:
    """A line of a budget, or a share of one; it may count both as own and as common."""

    name: str
    u_db: FloatArray
    is_scatter: bool
    is_own: bool
    is_common: bool


def _lines(budget: Sequence[Contribution], of_through_db: FloatArray) -> list[_Line]:
    lines = []
    for line in budget:
        u_db, name = line.standard_uncertainty_db, line.name
        if name == MISMATCH:
            shared = np.minimum(of_through_db, u_db)
            lines.append(_Line(f"{name} of the through", shared, False, False, True))
            u_db, name = np.sqrt(u_db**2 - shared**2), f"{name} of the item"
        is_own, is_common = name not in COMMON_CAUSES, name not in OWN_CAUSES
        lines.append(_Line(name, u_db, line.estimate == INSERTIONS_ESTIMATE, is_own, is_common))
    return lines


def _is_common(name: str, line: _Line) -> bool:
    return line.is_common and line.name == name


def _root_sum(lines: Sequence[_Line], wanted: Callable[[_Line], bool]) -> FloatArray:
    squares = [wanted(line) * line.u_db**2 for line in lines]
    return np.asarray(np.sqrt(np.sum(squares, axis=0)))


def reflection_rms(
    readings: BandReadings, frequency_hz: FloatArray, item: Item
) -> FloatArray | None:
    """Root mean square of |S11| and |S22|, (P,): measured, else as stated, else unknown.

    To first order the change from through to item, over the leads' transmission, is the
    reflection; what the far lead adds to it makes it too large rather than too small.
    """
    rows = readings.trace("S11"), readings.trace("S22")
    if rows[0] is None or rows[1] is None:
        if item.return_loss_db is None:
            return None
        return np.full_like(frequency_hz, reflection_magnitude(item.return_loss_db))
    through, inserted = readings.through_mean, readings.item_mean
    leads = np.abs(through[readings.transmission])
    change = [np.abs(inserted[row] - through[row]) / leads for row in rows]
    square = (change[0] ** 2 + change[1] ** 2) / 2.0
    number = np.floor(np.log(frequency_hz / frequency_hz[0]) / np.log(SEGMENT_RATIO))
    _, index, counts = np.unique(number, return_inverse=True, return_counts=True)
    means = np.bincount(index, weights=square) / counts
    return np.asarray(np.sqrt(means[index]))
