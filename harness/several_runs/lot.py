"""A lot: the runs of a folder, which of them counts for each item, and what may be compared."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from drivers.errors import InputError
from harness.analysis.diagnosis.finding import Finding
from harness.analysis.loss.band import FIRST_RULES
from harness.analysis.lots.lot_band import LotBand
from harness.analysis.uncertainty.conformity import Verdict
from harness.evaluation.read_back import from_text
from harness.evaluation.standing import Standing, reach, standing_of_verdict, worst_standing
from harness.run_file.figures import BandFigures, RunFigures, read_figures
from harness.run_file.run import moment
from harness.run_file.run_folder import runs_in

ACCEPTED = (Standing.PASS, Standing.CONDITIONAL_PASS)


@dataclass(frozen=True)
class LotItem:
    """An item of a lot by the run that counts: the last one that was finished."""

    run: RunFigures
    earlier: tuple[RunFigures, ...] = ()
    """Finished runs of the same item before it, in the order of time."""

    @property
    def name(self) -> str:
        """The item's id."""
        return str(self.run.item.get("id") or "item without a name")

    @cached_property
    def standing(self) -> Standing:
        """The worst over the bands that have a limit."""
        return standing_of_figures(self.run)

    @property
    def was_worse(self) -> bool:
        """Whether an earlier run did not accept what this one accepts."""
        return self.standing in ACCEPTED and any(
            standing_of_figures(run) in (Standing.FAIL, Standing.CONDITIONAL_FAIL)
            for run in self.earlier
        )

    @cached_property
    def deciding(self) -> str:
        """Name of the band that decides: the worst standing, and in it the least margin counted
        in U; the greatest loss where nothing is limited."""

        def reach_of(name: str) -> tuple[int, float]:
            band = self.run.bands[name]
            return reach(
                standing_of(band),
                band.insertion_loss_db,
                band.margin_db,
                band.expanded_uncertainty_db,
            )

        return min(self.run.bands, key=reach_of)

    @property
    def margin_db(self) -> float:
        """At the deciding point; NaN without a limit or a verdict."""
        return self.run.bands[self.deciding].margin_db

    @cached_property
    def finding(self) -> Finding | None:
        """What the shape of its loss says."""
        return from_text(self.run.finding)


@dataclass(frozen=True)
class LotGroup:
    """Items that may be compared in one band: of one station, one sort of item and one limit."""

    band: str
    station: str
    """Its name."""
    limit: float | str | None
    """In dB, or a formula; None where there is none."""
    made_of: tuple[str, ...]
    simulated: bool
    items: tuple[LotItem, ...]
    """In the order of time."""

    @cached_property
    def figures(self) -> LotBand:
        """As arrays, in the order of time."""
        bands = [item.run.bands[self.band] for item in self.items]

        def column(name: str) -> np.ndarray:
            return np.array([getattr(band, name) for band in bands], dtype=np.float64)

        return LotBand(
            items=tuple(item.name for item in self.items),
            time=np.array([unix(item.run.started) for item in self.items]),
            loss_db=column("insertion_loss_db"),
            guard_band_db=column("guard_band_db"),
            limit_db=column("limit_db"),
            margin_db=column("margin_db"),
            expected_db=column("expected_db"),
            zero_change_db=column("zero_change_db"),
            zero=np.array(
                [math.nan if band.opening_zero is None else band.opening_zero for band in bands]
            ),
        )

    @property
    def accused(self) -> np.ndarray:
        """(N,) whether the shape of an item's loss speaks of a fault; of runs under the first
        rules nobody asks here."""
        return np.array(
            [
                item.run.rules > FIRST_RULES
                and item.finding is not None
                and item.finding.is_accused
                for item in self.items
            ]
        )

    def column(self, name: str) -> np.ndarray:
        """A figure of `BandFigures` of all items, (N,)."""
        bands = (item.run.bands[self.band] for item in self.items)
        return np.array([getattr(band, name) for band in bands], dtype=np.float64)

    @property
    def insertions(self) -> np.ndarray:
        """Mean loss of each insertion at each item's deciding point, (N, I); NaN where an item has
        fewer than the most."""
        means = [item.run.bands[self.band].insertion_means_db for item in self.items]
        table = np.full((len(means), max(map(len, means))), np.nan)
        for row, values in zip(table, means, strict=True):
            row[: len(values)] = values
        return table


@dataclass(frozen=True)
class Lot:
    """A folder of run files."""

    folder: Path
    items: tuple[LotItem, ...]
    """Worst first."""
    runs: int
    """Finished ones."""
    unfinished: tuple[RunFigures, ...]
    unreadable: tuple[tuple[Path, str], ...]
    """Files, and what is wrong with them."""
    station_versions: dict[str, int] = field(default_factory=dict)
    """By name: in how many forms a station stands in the runs, where that is more than one."""

    @property
    def retests(self) -> int:
        """Finished runs that a later one of the same item has replaced."""
        return self.runs - len(self.items)

    @cached_property
    def counts(self) -> dict[Standing, int]:
        """Items by standing, in the order of the standings; every one is there."""
        found = dict.fromkeys(Standing, 0)
        for item in self.items:
            found[item.standing] += 1
        return found

    @property
    def is_good(self) -> bool:
        """Whether every item passes, or has no limit, and nothing is unfinished or unreadable."""
        good = self.counts[Standing.PASS] + self.counts[Standing.NO_LIMIT]
        return good == len(self.items) and not self.unfinished and not self.unreadable

    @cached_property
    def groups(self) -> tuple[LotGroup, ...]:
        """What may be compared, bands in the order of the station, large groups first; without
        what is to be measured again."""
        gathered: dict[tuple[Any, ...], list[LotItem]] = {}
        # a closing check finishes many runs anew at one moment: their begin tells their order
        counts = (item for item in self.items if item.standing is not Standing.AGAIN)
        for item in sorted(counts, key=lambda item: (unix(item.run.started), item.name)):
            station = stated_station(item.run.station)
            limits = item.run.item.get("limits_db") or {}
            made_of = tuple(item.run.item.get("made_of") or ())
            for band in item.run.bands:
                grid = station["bands"][band]
                key = (
                    band, str(station.get("name") or ""), limits.get(band), made_of,
                    item.run.simulated, json.dumps(grid, sort_keys=True),
                )  # fmt: skip
                gathered.setdefault(key, []).append(item)
        order = {key: place for place, key in enumerate(gathered)}
        bands = {key[0]: place for place, key in reversed(list(enumerate(gathered)))}
        keys = sorted(gathered, key=lambda k: (bands[k[0]], -len(gathered[k]), order[k]))
        return tuple(LotGroup(*key[:5], tuple(gathered[key])) for key in keys)  # type: ignore[call-arg]


def standing_of(band: BandFigures) -> Standing:
    """The verdict of a band, or why it has none."""
    if band.is_doubted:
        return Standing.NO_VERDICT
    verdict = Verdict(band.verdict) if band.verdict else None
    return standing_of_verdict(verdict, is_limited=band.is_limited)


def standing_in(run: RunFigures, band: str) -> Standing:
    """As `standing_of`, but no band has a verdict where the item is to be measured again."""
    return Standing.AGAIN if run.wanted_again else standing_of(run.bands[band])


def standing_of_figures(run: RunFigures) -> Standing:
    """The worst standing over the bands of a finished run that have a limit, or why that does not
    count."""
    if run.wanted_again:
        return Standing.AGAIN
    return worst_standing(map(standing_of, run.bands.values()))


def unix(stamp: str) -> float:
    """Unix seconds of an ISO 8601 stamp; NaN where it cannot be read."""
    when = moment(stamp)
    return math.nan if when is None else when.timestamp()


def stated_station(text: str) -> dict[str, Any]:
    """The station that a run states."""
    if text not in _STATIONS:
        _STATIONS[text] = json.loads(text)
    return _STATIONS[text]


_STATIONS: dict[str, dict[str, Any]] = {}
"""Thousands of runs state the same few stations."""


def read_lot(folder: Path, seen: Callable[[int, int], None] = lambda done, total: None) -> Lot:
    """Read every run file of a folder; `seen` is told how many of how many are read.

    Files that cannot be read are listed, not passed over in silence.

    Raises:
        InputError: there is no run file in it.
    """
    paths = runs_in(folder)
    runs, unreadable = read_runs(paths, seen)
    if not runs:
        path, problem = unreadable[0]
        raise InputError(
            f"none of the {len(paths)} files in {str(folder)!r} can be read; the first: {problem}",
            where=str(path),
        )
    return make_lot(folder, runs, unreadable)


def read_runs(
    paths: Sequence[Path], seen: Callable[[int, int], None]
) -> tuple[list[RunFigures], list[tuple[Path, str]]]:
    """The runs that can be read, and the others with what is wrong with them."""
    runs: list[RunFigures] = []
    unreadable: list[tuple[Path, str]] = []
    for place, path in enumerate(paths, start=1):
        try:
            runs.append(read_figures(path))
        except InputError as error:
            unreadable.append((path, error.what))
        seen(place, len(paths))
    return runs, unreadable


def make_lot(
    folder: Path, runs: Iterable[RunFigures], unreadable: Sequence[tuple[Path, str]] = ()
) -> Lot:
    """Put runs together by item: of several the last one that was finished counts."""
    finished: dict[str, list[RunFigures]] = {}
    unfinished: list[RunFigures] = []
    for run in runs:
        if run.bands:
            finished.setdefault(str(run.item.get("id") or run.run_id), []).append(run)
        else:
            unfinished.append(run)
    items = []
    for own in finished.values():
        own.sort(key=lambda run: (unix(run.finished), unix(run.started), run.run_id))
        items.append(LotItem(own[-1], tuple(own[:-1])))
    items.sort(key=_worst_first)
    stations: dict[str, set[str]] = {}
    for item in items:
        name = str(stated_station(item.run.station).get("name") or "")
        stations.setdefault(name, set()).add(item.run.station)
    return Lot(
        folder=folder,
        items=tuple(items),
        runs=sum(map(len, finished.values())),
        unfinished=tuple(sorted(unfinished, key=lambda run: (unix(run.started), run.run_id))),
        unreadable=tuple(unreadable),
        station_versions={name: len(texts) for name, texts in stations.items() if len(texts) > 1},
    )


def _worst_first(item: LotItem) -> tuple[int, float, str]:
    """No verdict where one is due, and what is to be measured again, come before all; then rising
    margin; then what has no limit."""
    if item.standing in (Standing.NO_VERDICT, Standing.AGAIN):
        return 0, 0.0, item.name
    margin_db = item.margin_db
    if math.isfinite(margin_db):
        return 1, margin_db, item.name
    return 2, -item.run.bands[item.deciding].insertion_loss_db, item.name
