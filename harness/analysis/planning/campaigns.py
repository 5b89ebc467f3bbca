"""Whole campaigns drawn from physics, to see whether a stated uncertainty is true.

A campaign is one normalization with its insertions and checks. What is drawn is what happens
on a bench (connections that differ, a zero that wanders, reflections with unknown phases),
never the lines of a budget; `evaluate` then gets readings as a run file would hold them.
C campaigns of P frequencies lie behind each other on the last axis, campaign by campaign.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, cast

import numpy as np

from harness.analysis.arrays import ComplexArray, FloatArray, IntArray
from harness.analysis.diagnosis.reflected import mismatch_error_db, reflection_readings
from harness.analysis.loss.band import BandReadings, Statements
from harness.analysis.planning.zero_path import zero_path_db
from harness.analysis.units import DB_PER_NEPER, SECONDS_PER_HOUR


@dataclass(frozen=True)
class CampaignPlan:
    """When everything of a campaign is swept; K sweeps of the through, N of the item."""

    through_time: FloatArray
    """(K,) seconds."""
    making: IntArray
    """(K,) which making of the through."""
    item_time: FloatArray
    """(N,)"""
    insertion: IntArray
    """(N,) which insertion."""


@dataclass(frozen=True)
class World:
    """What truly goes on: the limits that are stated, and what no station states.

    The true values lie anywhere within the stated limits; reflections have the stated
    magnitudes. P frequencies.
    """

    frequency_hz: FloatArray
    """(P,)"""
    loss_db: FloatArray
    """(P,) the true loss of the item."""
    stated: Statements
    making_db: float
    """Standard deviation of one making of the item's connections."""
    through_making_db: float
    """Standard deviation of one making of the through."""
    noise_db: float
    """Of a single sweep, in proportion to the signal."""
    noise_floor: float = 0.0
    """Of a single sweep, of either part of the voltage, relative to the through."""
    item_reflection: float | None = None
    """True magnitude of either reflection of the item; None: the stated one."""
    reads_reflections: bool = False
    """Whether S11 and S22 are read beside S21."""
    reflections_low_db: float = 0.0
    """How much too low they are read."""
    zero_turn: float | None = None
    """Fraction of the time between two checks at which the zero turns round; None: anywhere."""

    @property
    def reflection(self) -> float:
        """True magnitude of either reflection of the item."""
        true = self.item_reflection
        return (self.stated.item_reflection or 0.0) if true is None else true


def simulate(
    world: World, plan: CampaignPlan, campaigns: int, rng: np.random.Generator
) -> tuple[BandReadings, FloatArray]:
    """Readings of `campaigns` campaigns and the true loss, (C P,).

    What a connection, a phase or the zero does is one draw for all frequencies of a campaign;
    noise is drawn for each reading.
    """
    shape = (campaigns, len(world.frequency_hz))
    stated, through_loss_db = world.stated, world.stated.through_loss_db
    loss_db = _loss_now_db(world, campaigns, rng)
    through_now_db = through_loss_db + stated.through_loss_limits_db * _within(rng, campaigns)
    # everything that sets item and through apart alike in all sweeps of a campaign
    difference_db = (
        mismatch_error_db(world.frequency_hz, stated, world.reflection, loss_db, campaigns, rng)
        + linearity_limit_db(stated, loss_db) * _within(rng, campaigns)
        + (stated.flexure_db or 0.0) * _within(rng, campaigns)
        + _switched_db(stated, campaigns, rng)
    )
    item_db = _made_db(world, world.making_db, plan.insertion, campaigns, rng)
    through_db = _made_db(world, world.through_making_db, plan.making, campaigns, rng)
    zero_db = zero_path_db(
        plan.through_time,
        plan.item_time,
        np.concatenate([plan.through_time, plan.item_time]),
        (stated.drift_db_per_hour or 0.0) / SECONDS_PER_HOUR,
        campaigns,
        rng,
        world.zero_turn,
    )
    through_db = through_db + zero_db[: len(plan.making)] - through_now_db
    item_db = item_db + zero_db[len(plan.making) :] - (loss_db + difference_db)
    normalization, insertions = (
        _read(world, level_db, shape, rng) for level_db in (through_db, item_db)
    )
    traces: tuple[str, ...] = ("S21",) if world.reads_reflections else ("transmission",)
    if world.reads_reflections:
        traces = ("S21", "S11", "S22")
        through_seen, item_seen = reflection_readings(
            world.frequency_hz, stated, world.reflection, loss_db, campaigns, rng
        )
        tracking = 10.0 ** (-world.reflections_low_db / 20.0)
        normalization = _with_reflections(normalization, tracking * through_seen)
        insertions = _with_reflections(insertions, tracking * item_seen)
    readings = BandReadings(
        frequency_hz=np.tile(world.frequency_hz, campaigns),
        traces=traces,
        normalization=normalization,
        normalization_time=plan.through_time,
        normalization_making=plan.making,
        insertions=insertions,
        insertion_time=plan.item_time,
        insertion=plan.insertion,
    )
    return readings, np.tile(world.loss_db, campaigns)


def stated_for(stated: Statements, campaigns: int) -> Statements:
    """What is stated of a band of P frequencies, for as many campaigns of it: (C P,)."""
    return cast(Statements, _repeated(stated, campaigns))


def stated_in(world: World, campaigns: int, rng: np.random.Generator) -> Statements:
    """What is stated in each campaign of a world: (C P,).

    A history of earlier runs is an estimate like any other: each campaign has drawn its own.
    """
    stated = stated_for(world.stated, campaigns)
    history = world.stated.history
    if history is None or stated.history is None:
        return stated
    true_db2 = world.making_db**2 + world.noise_db**2 / history.sweeps
    drawn = rng.chisquare(history.dof, campaigns) / history.dof
    variance_db2 = np.repeat(true_db2 * drawn, len(world.frequency_hz))
    return replace(stated, history=replace(stated.history, variance_db2=variance_db2))


def _repeated(value: Any, campaigns: int) -> Any:
    """A value with every array of it, in dataclasses as well, `campaigns` times in a row."""
    if isinstance(value, np.ndarray):
        return np.tile(value, campaigns)
    if hasattr(value, "__dataclass_fields__"):
        changed = {f.name: _repeated(getattr(value, f.name), campaigns) for f in fields(value)}
        return replace(value, **changed)
    return value


def _within(rng: np.random.Generator, campaigns: int) -> FloatArray:
    """Anywhere between -1 and 1, one for each campaign; (C, 1)."""
    return rng.uniform(-1.0, 1.0, (campaigns, 1))


def _loss_now_db(world: World, campaigns: int, rng: np.random.Generator) -> FloatArray:
    """The item's loss at the temperature it happens to have, (C, P)."""
    stated = world.stated
    warmer_k = stated.temperature_limits_k * _within(rng, campaigns)
    return np.asarray(world.loss_db * (1.0 + stated.temperature_coefficient_per_k * warmer_k))


def linearity_limit_db(stated: Statements, loss_db: FloatArray) -> FloatArray:
    """Most by which the receiver errs between the levels of through and item; as `loss_db`."""
    limit_db = stated.linearity_db or 0.0
    per_10_db = stated.linearity_per_10_db or 0.0
    return np.asarray(limit_db + per_10_db * np.abs(loss_db) / 10.0)


def _switched_db(stated: Statements, campaigns: int, rng: np.random.Generator) -> FloatArray:
    """What a switch adds to the difference of item and through, (C, 1)."""
    if stated.switch_path_difference_db is None:
        return np.zeros((campaigns, 1))
    connections_db = rng.normal(0.0, stated.connection_repeatability_db, (2, campaigns, 1))
    paths_db = stated.switch_path_difference_db * _within(rng, campaigns)
    return np.asarray(paths_db + connections_db[0] - connections_db[1])


def _made_db(
    world: World, spread_db: float, making: IntArray, campaigns: int, rng: np.random.Generator
) -> FloatArray:
    """What the making of each sweep's connection did to its level, (sweeps, C, 1)."""
    if world.stated.switch_path_difference_db is not None:
        return np.zeros((len(making), campaigns, 1))
    count = int(making.max()) + 1
    return np.asarray(rng.normal(0.0, spread_db, (count, campaigns, 1))[making])


def _read(
    world: World, level_db: FloatArray, shape: tuple[int, int], rng: np.random.Generator
) -> ComplexArray:
    """Magnitudes that are read at levels (sweeps, C, P or 1): (sweeps, 1, C P)."""
    stated, size = world.stated, (len(level_db), *shape)
    if world.noise_db:
        # in place: as many numbers as all readings have do not fit near the processor twice
        noisy_db = rng.standard_normal(size)
        noisy_db *= world.noise_db
        noisy_db += level_db
        level_db = noisy_db
    magnitude = np.divide(level_db, DB_PER_NEPER)
    magnitude = np.exp(magnitude, out=magnitude)
    if stated.isolation_db is not None:
        angle = rng.uniform(0.0, 2.0 * np.pi, (shape[0], 1))
        leak = 10.0 ** (-stated.isolation_db / 20.0) * np.exp(1j * angle)
        magnitude = np.abs(magnitude + leak)
    if world.noise_floor:
        re, im = world.noise_floor * rng.standard_normal((2, *size))
        magnitude = np.hypot(magnitude + re, im)
    if stated.resolution_db:
        # where between two steps through and item lie is nobody's choice
        offset_db = stated.resolution_db * rng.uniform(0.0, 1.0, (shape[0], 1))
        steps = np.round((DB_PER_NEPER * np.log(magnitude) + offset_db) / stated.resolution_db)
        magnitude = np.exp((steps * stated.resolution_db - offset_db) / DB_PER_NEPER)
    whole = np.broadcast_to(magnitude, size).reshape(size[0], 1, -1)
    # magnitudes are readings as well: nothing of a loss rests on their phases
    return cast(ComplexArray, whole)


def _with_reflections(transmission: ComplexArray, seen: ComplexArray) -> ComplexArray:
    """S21 (sweeps, 1, C P) with the reflections (2, C P) that all sweeps have alike."""
    sweeps, _, columns = transmission.shape
    whole = np.empty((sweeps, 3, columns), dtype=np.complex128)
    whole[:, :1] = transmission
    whole[:, 1:] = seen
    return whole
