"""Proof of a station's statements: its own procedure, gone through thousands of times on paper."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from harness.analysis.loss.band import Method
from harness.analysis.loss.pooling import PooledRepeatability
from harness.analysis.planning.campaigns import CampaignPlan, World
from harness.analysis.planning.planned_band import at_frequency
from harness.analysis.planning.proof import Coverage, Decisions, Task, coverage, decisions
from harness.bench.procedure import Procedure
from harness.bench.timetable import timetable
from harness.planning.campaign_world import Assumed, band_frequencies, world_of
from harness.run_file.history import earlier_runs
from harness.station.items import Item, Workplace
from harness.station.statements import statements_of
from harness.station.station import Station

LEAST_COVERAGE = 0.94
"""Below it, a statement of 95.45 % is not true."""


@dataclass(frozen=True)
class Request:
    """What is to be proved, and how thoroughly."""

    procedure: Procedure
    parameters: Mapping[str, Any]
    campaigns: int
    seed: int
    assumed: Assumed


@dataclass(frozen=True)
class BandProof:
    """One band of one item."""

    item: str
    band: str
    world: World
    coverage: Coverage
    rule: str
    decisions: Decisions | None
    """None without a limit."""

    @property
    def holds(self) -> bool:
        """Whether so many campaigns leave it possible that the statement is true."""
        return self.coverage.share.interval()[1] >= LEAST_COVERAGE


@dataclass(frozen=True)
class Proof:
    """Everything that was found, and what it rests on."""

    station: str
    procedure: str
    parameters: dict[str, Any]
    duration_s: float
    """Of one campaign at the bench, all bands."""
    method: Method
    campaigns: int
    seed: int
    history: tuple[str, ...]
    """What of the station's earlier runs was pooled, in plain words."""
    bands: tuple[BandProof, ...]

    @property
    def holds(self) -> bool:
        """Whether all of it does."""
        return all(band.holds for band in self.bands)


def prove(workplace: Workplace, items: Mapping[str, Item], request: Request) -> Proof:
    """Simulate the campaigns of every item and band.

    Raises:
        InputError: the procedure is wrong, or nothing says what an item loses.
    """
    station = workplace.station
    function = partial(request.procedure.function, **request.parameters)
    times = timetable(function, station)
    grids = {band: band_frequencies(station, band) for band in station.bands}
    told: list[str] = []
    history = earlier_runs(station, workplace.folder, grids, told.append)
    found = [
        _prove_band(station, name, item, band, times.plans[band], history.get(band), request)
        for name, item in items.items()
        for band in grids
    ]
    return Proof(
        station=station.name,
        procedure=request.procedure.name,
        parameters=dict(request.parameters),
        duration_s=times.total_s,
        method=station.uncertainty.method,
        campaigns=request.campaigns,
        seed=request.seed,
        history=tuple(told),
        bands=tuple(found),
    )


def _prove_band(
    station: Station,
    name: str,
    item: Item,
    band: str,
    plan: CampaignPlan,
    history: PooledRepeatability | None,
    request: Request,
) -> BandProof:
    method, rule = station.uncertainty.method, item.decision_rule(station)
    frequency_hz = band_frequencies(station, band)
    expected = item.expected(frequency_hz, station.temperature_c, station.known_parts())
    limit_db = item.limit_db(band, frequency_hz, expected)
    stated = statements_of(station, item, frequency_hz, history)
    world = world_of(station, item, band, frequency_hz, request.assumed, stated)
    if method == "monte carlo":
        # each campaign takes thousands of trials: the frequency nearest its limit stands for all
        margin_db = np.zeros_like(frequency_hz) if limit_db is None else limit_db - world.loss_db
        nearest = int(np.argmin(margin_db))
        world = at_frequency(world, nearest)
        limit_db = None if limit_db is None else limit_db[nearest : nearest + 1]
    task = Task(world, plan, method)
    seed = [request.seed, zlib.crc32(f"{name} {band}".encode())]
    covered = coverage(task, request.campaigns, [*seed, 0])
    judged = None
    if limit_db is not None:
        judged = decisions(
            task, limit_db, rule, covered.expanded_uncertainty_db, request.campaigns, [*seed, 1]
        )
    return BandProof(name, band, world, covered, str(rule), judged)
