"""Campaigns drawn from physics: each source of error is there, of its stated size, and no other."""

from dataclasses import replace

import numpy as np
import pytest
import skrf
from scipy.stats import kstest

from harness.analysis.diagnosis.reflected import mismatch_error_db
from harness.analysis.loss.evaluate import evaluate
from harness.analysis.loss.pooling import PooledRepeatability
from harness.analysis.planning.campaigns import (
    World,
    simulate,
    stated_for,
    stated_in,
)
from harness.analysis.planning.zero_path import checks_of, zero_path_db
from tests.harness.analysis.planning.campaign_steps import CampaignStep, timetable
from tests.studies.coverage.scenarios import HOUR_S, scenarios

CAMPAIGNS = 2000
GRID_HZ = np.linspace(2.40e9, 2.48e9, 3)
PLAN = timetable(
    (CampaignStep("through", 2), *(5 * [CampaignStep("item", 2)]), CampaignStep("through", 2))
)
QUIET = scenarios()[0].world.stated


def world(loss_db=0.5, **stated):
    points = len(GRID_HZ)
    limits = {"through_loss_db": np.zeros(points), "through_loss_limits_db": np.zeros(points)}
    return World(GRID_HZ, np.full(points, loss_db), replace(QUIET, **{**limits, **stated}), 0, 0, 0)


def errors_db(of, plan=PLAN, seed=1):
    """Found minus true loss, (C, P)."""
    readings, truth_db = simulate(of, plan, CAMPAIGNS, np.random.default_rng(seed))
    result = evaluate(readings, stated_for(of.stated, CAMPAIGNS))
    return (result.insertion_loss_db - truth_db).reshape(CAMPAIGNS, -1)


def test_a_bench_without_faults_reads_the_truth():
    assert np.abs(errors_db(world())).max() < 1e-9


@pytest.mark.parametrize(
    ("stated", "half_width_db"),
    [
        ({"linearity_db": 0.02}, 0.02),
        ({"linearity_db": 0.01, "linearity_per_10_db": 0.1}, 0.015),
        ({"flexure_db": 0.03}, 0.03),
        ({"through_loss_limits_db": np.full(3, 0.04)}, 0.04),
        ({"temperature_limits_k": 2.0, "temperature_coefficient_per_k": 0.01}, 0.01),
        ({"switch_path_difference_db": 0.05, "connection_repeatability_db": 1e-9}, 0.05),
    ],
)
def test_limits_are_filled_evenly(stated, half_width_db):
    """Kolmogorov and Smirnov's test (scipy) against the rectangular distribution."""
    found = errors_db(world(**stated))
    assert kstest(found[:, 0], "uniform", (-half_width_db, 2 * half_width_db)).pvalue > 1e-3
    assert np.ptp(found, axis=1).max() < 1e-8  # one cause, so one error over the whole band


def test_connections_and_noise_scatter_as_stated():
    found = errors_db(replace(world(), making_db=0.05))
    assert np.std(found[:, 0]) == pytest.approx(0.05 / np.sqrt(5), rel=0.08)
    assert np.ptp(found, axis=1).max() < 1e-9
    noisy = errors_db(replace(world(), noise_db=0.05))
    assert np.std(noisy) == pytest.approx(0.05 * np.sqrt(1 / 10 + 1 / 4), rel=0.08)
    assert abs(np.corrcoef(noisy[:, 0], noisy[:, 1])[0, 1]) < 0.1


@pytest.mark.long
def test_mismatch_is_that_of_scikit_rf():
    """A bench put together by scikit-rf: source and load reflections around a device, random
    phases. The largest errors over many phases agree, and so does the standard deviation."""
    rng = np.random.default_rng(3)
    g, load, r, loss_db = 0.1, 0.07, 0.2, 0.5
    stated = replace(QUIET, source_reflection=g, load_reflection=load)
    frequency = skrf.Frequency(1, 1, 1, "GHz")

    def transmission_db(reflection, s21):
        turn = np.exp(2j * np.pi * rng.random(6))
        ends = [g * turn[0], load * turn[1]]
        device = [[reflection * turn[2], s21 * turn[4]], [s21 * turn[4], reflection * turn[3]]]
        # a lossless step with a reflection at its far end on either side
        near, far = (
            skrf.Network(f=[1], f_unit="GHz", z0=50,
                         s=[[[-np.conj(e), np.sqrt(1 - abs(e) ** 2)],
                             [np.sqrt(1 - abs(e) ** 2), e]]])
            for e in ends
        )  # fmt: skip
        middle = skrf.Network(frequency=frequency, s=[device], z0=50)
        return 20 * np.log10(abs((near**middle ** far.flipped()).s[0, 1, 0]))

    s21 = 10 ** (-loss_db / 20)
    ours = [
        transmission_db(0.0, 1.0) - transmission_db(r, s21) - loss_db for _ in range(600)
    ]  # fmt: skip
    found = mismatch_error_db(
        np.array([1e9]), stated, r, np.full((20_000, 1), loss_db), 20_000, rng
    )[:, 0]
    assert np.std(found) == pytest.approx(np.std(ours), rel=0.1)
    assert abs(np.mean(found)) < 0.01
    assert np.max(np.abs(ours)) <= np.max(np.abs(found)) * 1.05


def test_leakage_is_a_phasor():
    """Beside a loss of 40 dB, 60 dB of isolation shifts the level by at most
    -20 log10(1 - 0.1) dB down and 20 log10(1 + 0.1) dB up (first principles)."""
    found = errors_db(world(40.0, isolation_db=60.0))
    up, down = 20 * np.log10(1.1), -20 * np.log10(0.9)
    assert found.max() == pytest.approx(down, rel=0.02)
    assert found.min() == pytest.approx(-up, rel=0.02)


def test_resolution_rounds():
    readings, _ = simulate(world(0.537, resolution_db=0.1), PLAN, 50, np.random.default_rng(2))
    level_db = 20 * np.log10(np.abs(readings.insertions[:, 0]))
    assert np.abs(level_db + 0.537).max() <= 0.05 + 1e-9
    assert np.ptp(level_db) > 0.05


RATE_DB_PER_S = 0.05 / HOUR_S


def path(times, campaigns=4000):
    rng = np.random.default_rng(5)
    through, item = np.array([0.0, HOUR_S]), np.array([HOUR_S / 2])
    return zero_path_db(through, item, np.asarray(times), RATE_DB_PER_S, campaigns, rng)[:, :, 0]


def test_the_zero_never_moves_faster_than_stated():
    times = np.linspace(-HOUR_S, 2 * HOUR_S, 601)
    rates = np.diff(path(times, 300), axis=0) / np.diff(times)[:, None]
    assert np.abs(rates).max() <= RATE_DB_PER_S * (1 + 1e-9)
    assert np.abs(rates).max() > 0.9 * RATE_DB_PER_S


def test_the_departure_from_the_line_is_even_within_what_the_rate_allows():
    """A turn at p leaves r T min(p, 1 - p) in the middle, on either side."""
    start, middle, end = path([0.0, HOUR_S / 2, HOUR_S])
    departure = middle - (start + end) / 2
    limit = RATE_DB_PER_S * HOUR_S / 2
    assert kstest(departure, "uniform", (-limit, 2 * limit)).pvalue > 1e-3


def test_makings_without_the_item_between_them_are_one_check():
    through = np.array([0.0, 10.0, 20.0, 100.0, 200.0, 210.0])
    assert checks_of(through, np.array([50.0, 150.0])) == pytest.approx([10.0, 100.0, 205.0])


def test_each_campaign_has_a_history_of_its_own():
    """The pooled variance is chi-squared distributed (scipy) about the true one."""
    history = PooledRepeatability(np.full(3, 1.0), 6.0, ("one",), (), sweeps=np.inf)
    drawn = stated_in(
        replace(world(history=history), making_db=0.02), CAMPAIGNS, np.random.default_rng(6)
    ).history
    variance = drawn.variance_db2.reshape(CAMPAIGNS, 3)
    assert np.ptp(variance, axis=1).max() == 0.0
    assert kstest(6.0 * variance[:, 0] / 0.02**2, "chi2", (6.0,)).pvalue > 1e-3


def test_reflections_are_read_where_the_station_reads_them():
    reading = replace(
        world(0.5, item_reflection=None, source_reflection=0.02, load_reflection=0.02),
        item_reflection=0.2, reads_reflections=True,
    )  # fmt: skip
    readings, _ = simulate(reading, PLAN, 300, np.random.default_rng(7))
    assert readings.traces == ("S21", "S11", "S22")
    change = np.abs(readings.insertions[0, 1:] - readings.normalization[0, 1:])
    assert np.mean(change) == pytest.approx(0.2, rel=0.05)
    held = (
        np.abs(errors_db(reading))
        <= evaluate(readings, stated_for(reading.stated, 300)).expanded_uncertainty_db.mean()
    )
    assert held.mean() > 0.95


def test_the_same_generator_gives_the_same_campaigns():
    one, two = (
        simulate(replace(world(), noise_db=0.01), PLAN, 7, np.random.default_rng(8))[0]
        for _ in range(2)
    )
    assert one.insertions.tobytes() == two.insertions.tobytes()
