"""The scenarios of the coverage study: what dominates in each, and the bench that it is so on."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from harness.analysis.loss.band import Statements
from harness.analysis.loss.pooling import PooledRepeatability
from harness.analysis.planning.campaigns import CampaignPlan, World
from tests.harness.analysis.planning.campaign_steps import CampaignStep, timetable
from tests.studies.coverage.instruments import Instrument, as_drawn, one_path, raw_directivity

INSERTIONS = "insertion repeatability"
REFERENCE = "connection of the reference"
DRIFT = "drift of the zero"
MISMATCH = "mismatch"
LINEARITY = "linearity of the receiver"
ADAPTER = "through adapter"
LEAKAGE = "leakage"
FLEXURE = "flexure of the leads"
TEMPERATURE = "temperature"
RESOLUTION = "resolution"
TRACKING = "tracking of the reflections"
HOUR_S = 3600.0
FEW = "Three insertions tell little of their scatter: Student's t with two degrees of freedom."
NOTHING = np.zeros(1)
HISTORY = PooledRepeatability(np.array([0.03**2]), 20.0, ("earlier runs",), (), sweeps=4.0)


@dataclass(frozen=True)
class Scenario:
    """One kind of bench, one plan, and the contribution without which U would be wrong."""

    name: str
    world: World
    plan: CampaignPlan
    dominates: str
    is_bounded: bool = False
    """Whether one rectangular or U-shaped contribution dominates: then the GUM's interval
    reaches beyond its limits and holds more than it says (JCGM 100:2008, G.6.6)."""
    is_mixture: bool = False
    """Whether an estimate of few degrees of freedom stands beside other parts of its size: then
    Monte Carlo with scaled t distributions (JCGM 101:2008, 6.4.9.2) holds more than it says. Also
    where the scatter of the insertions already holds part of another line, as rounding, and where
    a limit is not used up."""
    instrument: Instrument = as_drawn
    """What it makes of the readings."""
    why_wide: str = ""
    """Why U is more than 1.5 times what was needed."""


def _stated(**changes: Any) -> Statements:
    """A bench without a fault but those named."""
    plain = Statements(
        source_reflection=1e-6, load_reflection=1e-6, connection_repeatability_db=0.02,
        through_loss_db=NOTHING, through_loss_limits_db=NOTHING, through_reflection=0.0,
        item_reflection=1e-6, drift_db_per_hour=0.0, linearity_per_10_db=None, isolation_db=None,
        resolution_db=None, flexure_db=None, most_zero_change_db=None, oldest_zero_s=None,
        history=None,
    )  # fmt: skip
    return replace(plain, **changes)


def _world(
    loss_db: float = 0.3, *, making_db: float = 0.004, through_making_db: float = 0.004,
    noise_db: float = 0.002, noise_floor: float = 0.0, **stated: Any,
) -> World:  # fmt: skip
    return World(
        np.array([2.4e9]), np.array([loss_db]), _stated(**stated),
        making_db, through_making_db, noise_db, noise_floor,
    )  # fmt: skip


def _qualify(
    insertions: int, *, makings: int = 3, sweeps: int = 4, through_sweeps: int = 4,
    wait_s: float = 0.0, closing: bool = True,
) -> CampaignPlan:  # fmt: skip
    check = makings * [CampaignStep("through", through_sweeps)]
    wait = [CampaignStep("wait", seconds=wait_s)] if wait_s else []
    steps = check + wait + insertions * [CampaignStep("item", sweeps)]
    if closing:
        steps += wait + check
    return timetable(tuple(steps))


def _reading_reflections(low_db: float, stated_low_db: float, **stated: Any) -> World:
    """Leads' ends of 30 dB, and an item of 20 dB that states nothing and is read too low."""
    plain = _world(source_reflection=0.03, load_reflection=0.03, item_reflection=None,
                   reflection_tracking_db=stated_low_db, **stated)  # fmt: skip
    return replace(plain, item_reflection=0.1, reads_reflections=True, reflections_low_db=low_db)


def _of_reflections(plan: CampaignPlan) -> tuple[Scenario, ...]:
    """Where it matters what was read of the item's reflections, or that nothing was."""
    right = _reading_reflections(0.0, 0.0)
    # just what a passive item can reflect that loses 0.3 dB
    lossless = replace(right, item_reflection=math.sqrt(1.0 - 10.0**-0.03), reads_reflections=False)
    at_least = replace(right, stated=replace(right.stated, item_reflection=10.0 ** (-18.0 / 20.0)))
    return (
        Scenario(
            "S11 and S22 read 3 dB low, stated", _reading_reflections(3.0, 3.0), plan, MISMATCH,
        ),
        Scenario(
            "S11 and S22 read 6 dB low, stated", _reading_reflections(6.0, 6.0), plan, TRACKING,
        ),
        Scenario(
            "S11 and S22 read 10 dB low, stated", _reading_reflections(10.0, 10.0), plan, TRACKING,
        ),
        Scenario(
            "S11 and S22 read 3 dB low, 6 dB stated", _reading_reflections(3.0, 6.0), plan,
            TRACKING, is_bounded=True, is_mixture=True,
            why_wide="The limit of the tracking is not used up: what is read counts as 6 dB low.",
        ),
        Scenario(
            "raw directivity of 20 dB", right, plan, MISMATCH, instrument=raw_directivity,
        ),
        Scenario(
            "one-path files, S12 and S22 all zero", right, plan, MISMATCH, is_bounded=True,
            is_mixture=True, instrument=one_path,
            why_wide="Nobody knows S22: it counts as the most that a passive item of this loss can "
            "have. A stated `return_loss` mends it (next row).",
        ),
        Scenario(
            "one-path files, return loss stated as 18 dB", at_least, plan, MISMATCH,
            is_bounded=True, is_mixture=True, instrument=one_path,
        ),
        Scenario(
            "scalar, nothing stated, all that is lost is reflected", lossless, plan, MISMATCH,
            is_bounded=True, is_mixture=True,
        ),
    )  # fmt: skip


def scenarios() -> tuple[Scenario, ...]:
    """All of them."""
    five = _qualify(5)
    mixed = _world(
        making_db=0.05, through_making_db=0.01, noise_db=0.005, source_reflection=0.03,
        load_reflection=0.03, item_reflection=0.03, linearity_db=0.01, resolution_db=0.01,
        flexure_db=0.005, drift_db_per_hour=0.02,
    )  # fmt: skip
    reflecting = replace(
        mixed,
        through_making_db=0.02,
        noise_db=0.01,
        stated=replace(mixed.stated, item_reflection=0.05),
    )
    bounded = partial(Scenario, is_bounded=True)
    mixture = partial(Scenario, is_mixture=True)
    return (
        Scenario(
            "3 insertions, which differ", _world(making_db=0.05), _qualify(3), INSERTIONS,
            why_wide=FEW,
        ),
        Scenario("5 insertions, which differ", _world(making_db=0.05), five, INSERTIONS),
        Scenario("10 insertions, which differ", _world(making_db=0.05), _qualify(10), INSERTIONS),
        Scenario(
            "noise", _world(noise_db=0.05, making_db=0.002, through_making_db=0.002),
            _qualify(5, makings=1), REFERENCE,
        ),
        Scenario(
            "connection of the reference, 2 x 3 makings", _world(through_making_db=0.05),
            five, REFERENCE,
        ),
        Scenario(
            "one through only", _world(making_db=0.03, through_making_db=0.03),
            _qualify(10, makings=1, closing=False), REFERENCE,
        ),
        mixture(
            "drift, no check afterwards", _world(drift_db_per_hour=0.05),
            _qualify(5, wait_s=2 * HOUR_S, closing=False), DRIFT, is_bounded=True,
        ),
        mixture(
            "drift, closing check", _world(drift_db_per_hour=0.05),
            _qualify(5, wait_s=2 * HOUR_S), DRIFT, is_bounded=True,
        ),
        Scenario(
            "drift that turns round in mid-run", replace(
                _world(making_db=0.002, through_making_db=0.002, drift_db_per_hour=0.15),
                zero_turn=0.5,
            ), _qualify(10), DRIFT, is_bounded=True,
        ),
        Scenario(
            "one joined pair against two", _world(
                making_db=0.03, through_making_db=0.03 / np.sqrt(2.0), through_pairs=1),
            _qualify(5, makings=1), REFERENCE,
        ),
        bounded(
            "mismatch", _world(source_reflection=0.1, load_reflection=0.01, item_reflection=0.1),
            five, MISMATCH,
        ),
        *_of_reflections(five),
        bounded("linearity", _world(linearity_db=0.05), five, LINEARITY),
        bounded(
            "through adapter", _world(through_loss_db=np.array([0.05]),
            through_loss_limits_db=np.array([0.05])), five, ADAPTER,
        ),
        bounded("flexure", _world(flexure_db=0.05), five, FLEXURE),
        bounded(
            "temperature", _world(10.0, temperature_limits_k=3.0,
            temperature_coefficient_per_k=0.002), five, TEMPERATURE,
        ),
        bounded("resolution", _world(making_db=5e-4, through_making_db=5e-4, noise_db=1e-4,
            resolution_db=0.1), five, RESOLUTION),
        Scenario(
            "pooled history, 1 insertion", _world(making_db=0.03, through_making_db=0.03,
            history=HISTORY), _qualify(1, makings=1), INSERTIONS,
        ),
        Scenario(
            "pooled history, 2 insertions", _world(making_db=0.03, through_making_db=0.03,
            history=HISTORY), _qualify(2, makings=1), INSERTIONS,
        ),
        bounded(
            "scalar set-up", _world(making_db=0.015, through_making_db=0.01, noise_db=0.005,
            linearity_db=0.05, resolution_db=0.01, source_reflection=0.03, load_reflection=0.03,
            item_reflection=0.06), five, LINEARITY,
        ),
        Scenario("near 0 dB", _world(0.0, making_db=0.05), five, INSERTIONS),
        Scenario(
            "40 dB, noise", _world(40.0, noise_floor=3e-4), _qualify(5), INSERTIONS,
        ),
        bounded("40 dB, leakage", _world(40.0, isolation_db=75.0), five, LEAKAGE),
        Scenario("mixture, 10 insertions", mixed, _qualify(10), INSERTIONS),
        Scenario("mixture, 5 insertions", mixed, five, INSERTIONS),
        mixture("mixture, 3 insertions", mixed, _qualify(3), INSERTIONS, why_wide=FEW),
        mixture("mixture with more mismatch, 10 insertions", reflecting, _qualify(10), INSERTIONS),
        mixture(
            "resolution, connections straddle a step", _world(noise_db=0.0, resolution_db=0.1),
            five, RESOLUTION, is_bounded=True,
        ),
        mixture(
            "noise, reference estimated apart", _world(noise_db=0.05, making_db=0.002,
            through_making_db=0.002), _qualify(5, through_sweeps=16), INSERTIONS,
        ),
    )  # fmt: skip
