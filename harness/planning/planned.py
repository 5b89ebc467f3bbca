"""Plans of measurements: what each choice of insertions and sweeps would find out, and when."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import Method
from harness.analysis.loss.pooling import PooledRepeatability
from harness.analysis.planning.campaigns import CampaignPlan, World
from harness.analysis.planning.planned_band import (
    Weakest,
    at_frequency,
    predict,
    verdict_chances,
    weakest,
    worst_index,
)
from harness.analysis.uncertainty.conformity import DecisionRule, Verdict
from harness.bench.timetable import CONNECTING_S, Timetable, timetable
from harness.planning.campaign_world import Assumed, world_of
from harness.run_file.history import earlier_runs
from harness.station.items import Item, Workplace
from harness.station.statements import statements_of
from harness.station.station import Station
from harness.station.workplace_doubts import rating_doubts

SEED = 20_260_417
"""The same plan gives the same chances."""


@dataclass(frozen=True)
class PlannedChoice:
    """What can be chosen before measuring."""

    insertions: int
    sweeps: int
    makings: int = 1
    check_every: int = 0

    def parameters(self) -> dict[str, int]:
        """As the procedure takes them."""
        return asdict(self)


@dataclass(frozen=True)
class PlannedBand:
    """What is to be expected of a band, at the point where its limit is nearest."""

    name: str
    frequency_hz: float
    loss_db: float
    """The loss that the item is taken to have."""
    limit_db: float | None
    expanded_uncertainty_db: float
    weakest: Weakest
    chances: dict[Verdict, float] | None
    """How often each verdict is to be expected; None without a limit."""

    @property
    def clear(self) -> float | None:
        """Chance of a verdict that is not conditional."""
        if self.chances is None:
            return None
        return sum(share for verdict, share in self.chances.items() if verdict.is_clear)


@dataclass(frozen=True)
class PlannedRun:
    """One choice and what comes of it."""

    choice: PlannedChoice
    connections: int
    sweeps: int
    """Of all bands."""
    duration_s: float
    bands: tuple[PlannedBand, ...]


@dataclass(frozen=True)
class ItemPlan:
    """All choices for one item."""

    item: str
    description: str
    rule: DecisionRule
    runs: tuple[PlannedRun, ...]
    assumptions: tuple[str, ...]
    """Plain sentences: what nobody stated and was taken as said."""


def plan_items(
    workplace: Workplace,
    items: Mapping[str, Item],
    procedure: Callable[..., None],
    choices: Sequence[PlannedChoice],
    assumed: Assumed,
    *,
    connecting_s: float = CONNECTING_S,
) -> list[ItemPlan]:
    """Predict every choice for every item, with the history that the station names.

    Raises:
        InputError: nothing says what an item loses, the procedure refuses a choice, or the
            history cannot be read.
    """
    station = workplace.station
    times = {
        choice: timetable(
            partial(procedure, **choice.parameters()), station, connecting_s=connecting_s
        )
        for choice in choices
    }
    grids = {band: _points(station, band) for band in station.bands}
    told: list[str] = []
    history = earlier_runs(station, workplace.folder, grids, told.append)
    return [
        _plan_item(station, name, item, times, grids, history, assumed, told, connecting_s)
        for name, item in items.items()
    ]


def _plan_item(
    station: Station,
    name: str,
    item: Item,
    times: Mapping[PlannedChoice, Timetable],
    grids: Mapping[str, FloatArray],
    history: Mapping[str, PooledRepeatability],
    assumed: Assumed,
    told: Sequence[str],
    connecting_s: float,
) -> ItemPlan:
    rule, method = item.decision_rule(station), station.uncertainty.method
    worlds, limits = {}, {}
    for band, frequency_hz in grids.items():
        stated = statements_of(station, item, frequency_hz, history.get(band))
        worlds[band] = world_of(station, item, band, frequency_hz, assumed, stated)
        expected = item.expected(frequency_hz, station.temperature_c, station.known_parts())
        limits[band] = item.limit_db(band, frequency_hz, expected)
    runs = tuple(
        PlannedRun(
            choice,
            taken.work.connections,
            taken.work.sweeps,
            taken.total_s,
            tuple(
                _planned_band(band, world, taken.plans[band], limits[band], rule, method)
                for band, world in worlds.items()
            ),
        )
        for choice, taken in times.items()
    )
    assumptions = [*_assumptions(station, item, worlds, assumed, connecting_s), *_grouped(told)]
    return ItemPlan(name, item.description, rule, runs, tuple(assumptions))


def _points(station: Station, band: str) -> FloatArray:
    """The frequencies that the instruments will be set to; near enough for recorded files."""
    if station.recorded is None:
        return station.settings(band).frequency_hz()
    chosen = station.bands[band]
    return np.linspace(chosen.start_hz, chosen.stop_hz, chosen.points)


def _planned_band(
    name: str,
    world: World,
    plan: CampaignPlan,
    limit_db: FloatArray | None,
    rule: DecisionRule,
    method: Method,
) -> PlannedBand:
    result = predict(world, plan)
    index = worst_index(result, world.loss_db, limit_db)
    there = at_frequency(world, index)
    widening = 1.0
    if method != "gum":
        # one frequency: there Monte Carlo takes moments, and it widens or narrows U alike
        stated_db = predict(there, plan, method).expanded_uncertainty_db[0]
        widening = float(stated_db / result.expanded_uncertainty_db[index])
    chances = None
    if limit_db is not None:
        rng = np.random.default_rng(SEED)
        limit_there_db = limit_db[index : index + 1]
        chances = verdict_chances(there, plan, limit_there_db, rule, rng, widening=widening)
    first = weakest(result.budget, index)
    return PlannedBand(
        name=name,
        frequency_hz=float(world.frequency_hz[index]),
        loss_db=float(world.loss_db[index]),
        limit_db=None if limit_db is None else float(limit_db[index]),
        expanded_uncertainty_db=widening * float(result.expanded_uncertainty_db[index]),
        weakest=replace(first, expanded_without_db=widening * first.expanded_without_db),
        chances=chances,
    )


def _assumptions(
    station: Station,
    item: Item,
    worlds: dict[str, World],
    assumed: Assumed,
    connecting_s: float,
) -> list[str]:
    some = next(iter(worlds.values()))
    if assumed.true_loss_db is not None:
        loss = f"The item is taken to lose {assumed.true_loss_db:g} dB everywhere."
    elif item.made_of:
        loss = "The item is taken to lose what it is expected to."
    else:
        loss = "The item does not say what it is made of: it is taken to lose its limit."
    by = "the switch exchanges" if station.switch is not None else f"{connecting_s:g} s each for"
    said = [loss, f"Time: {by} connections, and what the sweeps need by points and bandwidth."]
    if some.stated.history is None:
        said.append(
            "One making of a connection is taken to scatter as the station states "
            f"({station.leads.connection_repeatability_db:g} dB)."
        )
    else:
        said.append("One making of a connection is taken to scatter as in earlier runs.")
    if assumed.noise_db is None:
        said.append(
            f"Noise of a sweep, which no station states, is taken as {some.noise_db:.2g} dB."
        )
    said.append("Leads and through are taken to reflect as much as stated; most reflect less.")
    if item.return_loss_db is None:
        said.append(_reflection_sentence(some))
    return [*said, *(f"{doubt}." for doubt in rating_doubts(station, item))]


def _grouped(told: Sequence[str]) -> list[str]:
    """What was told of the history, each thing once with the bands that it concerns."""
    bands_of: dict[str, list[str]] = {}
    for line in told:
        about, _, what = line.partition(": ")
        bands_of.setdefault(what, []).append(about.removeprefix("history").removeprefix(", "))
    return [
        f"History{'' if len(bands_of) == 1 else _named(bands)}: {what}."
        for what, bands in bands_of.items()
    ]


def _named(bands: Sequence[str]) -> str:
    names = ", ".join(name for name in bands if name)
    return f", {names}" if names else ""


def _reflection_sentence(world: World) -> str:
    if not world.reads_reflections:
        return (
            "The item's return loss is neither stated nor measured: its reflection is taken as "
            "the most that its loss allows. Stating return_loss for it would lower U."
        )
    return_loss_db = -20.0 * np.log10(world.reflection)
    return f"The item states no return loss: it is taken as {return_loss_db:.0f} dB until measured."
