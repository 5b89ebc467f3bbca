"""Readings taken in block by block give what the formulas give on whole arrays."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.loss.band import BandBlocks, BandReadings
from harness.analysis.loss.grouped import GroupedMeans, GroupedScatter
from harness.analysis.loss.reduction import TEMPERATURE_HOLDS_S, reduced, temperature_at
from tests.long_cases import examples

TRACES = ("S11", "S21", "S12", "S22")
seeds = st.integers(0, 2**32 - 1)


def drawn(rng, points=5, most=9):
    """Checks, insertions of unequal size between them, in order of time; all traces."""
    order = [("through", 0)]
    for number in range(rng.integers(1, 6)):
        order += [("item", number)] * rng.integers(1, most)
        if rng.random() < 0.5:
            order += [("through", number + 1)] * rng.integers(1, 4)
    time = np.cumsum(rng.uniform(0.5, 30.0, len(order)))
    values = 0.5 + 0.1 * (
        rng.normal(size=(len(order), 4, points)) + 1j * rng.normal(size=(len(order), 4, points))
    )
    is_item = np.array([what == "item" for what, _ in order])
    group = np.array([number for _, number in order])
    return BandReadings(
        np.linspace(1e9, 2e9, points), TRACES, values[~is_item], time[~is_item], group[~is_item],
        values[is_item], time[is_item], group[is_item],
    )  # fmt: skip


def cut(values, rng):
    """Into blocks of any size."""
    places = np.sort(rng.integers(0, len(values) + 1, rng.integers(0, 6)))
    return np.split(values, places)


def in_blocks(readings, rng, **other):
    fields = {name: getattr(readings, name) for name in (
        "frequency_hz", "traces", "normalization_time", "normalization_making", "insertion_time",
        "insertion",
    )}  # fmt: skip
    return BandBlocks(
        **fields, normalization=cut(readings.normalization, rng),
        insertions=cut(readings.insertions, rng), **other,
    )  # fmt: skip


def of_groups(values, group):
    return [values[group == number] for number in np.unique(group)]


@examples(15, 60)
@given(seeds)
def test_losses_and_scatter_are_those_of_the_direct_formulas(seed):
    """Straight from the definitions: the line between checks by numpy.interp, and the nested
    analysis of variance of JCGM 100:2008, H.5, written out as sums."""
    rng = np.random.default_rng(seed)
    readings = drawn(rng)
    band = reduced(in_blocks(readings, rng))
    through_db = 20 * np.log10(np.abs(readings.normalization[:, 1]))
    item_db = 20 * np.log10(np.abs(readings.insertions[:, 1]))
    making_db = np.array([g.mean(0) for g in of_groups(through_db, readings.normalization_making)])
    making_time = np.array(
        [g.mean() for g in of_groups(readings.normalization_time, readings.normalization_making)]
    )
    swept = np.searchsorted(readings.insertion_time, making_time)
    check_db = np.array([g.mean(0) for g in of_groups(making_db, swept)])
    check_time = np.array([g.mean() for g in of_groups(making_time, swept)])
    reference_db = np.stack(
        [np.interp(readings.insertion_time, check_time, column) for column in check_db.T], axis=1
    )
    loss_db = reference_db - item_db
    groups = of_groups(loss_db, readings.insertion)
    means_db = np.array([g.mean(0) for g in groups])
    losses, scatter = band.found.losses, band.found.insertions
    assert losses.means_db == pytest.approx(means_db, rel=1e-12, abs=1e-12)
    assert losses.check_db == pytest.approx(check_db)
    assert losses.reference_weights @ making_db == pytest.approx(
        np.mean([g.mean(0) for g in of_groups(reference_db, readings.insertion)], axis=0)
    )
    squares = sum(np.sum((g - g.mean(0)) ** 2, axis=0) for g in groups)
    dof = len(loss_db) - len(groups)
    assert scatter.within_dof == dof
    assert scatter.within_db == pytest.approx(np.sqrt(squares / max(dof, 1)), abs=1e-12)
    if len(groups) > 1:
        assert scatter.of_means_db == pytest.approx(means_db.std(axis=0, ddof=1), abs=1e-12)
    if len(loss_db) > 1:
        assert band.series.loss_db == pytest.approx(loss_db.mean(axis=1), abs=1e-12)
        assert band.series.uncorrected_db == pytest.approx((check_db[0] - item_db).mean(axis=1))
        assert np.array_equal(band.series.time, readings.insertion_time)


@examples(15, 40)
@given(seeds)
def test_means_are_those_of_the_readings(seed):
    rng = np.random.default_rng(seed)
    readings = drawn(rng)
    band = reduced(in_blocks(readings, rng))
    for name in ("through_mean", "opening_mean", "item_mean", "item_transmission"):
        assert getattr(band, name) == pytest.approx(getattr(readings, name), rel=1e-12), name
    assert band.transmission == readings.transmission == 1
    assert band.trace("S22") == 3


@given(seeds)
def test_how_the_readings_are_cut_does_not_matter(seed):
    rng = np.random.default_rng(seed)
    readings = drawn(rng)
    one, other = reduced(in_blocks(readings, rng)), reduced(readings)
    for name in ("within_db", "of_means_db", "sizes"):
        assert getattr(one.found.insertions, name) == pytest.approx(
            getattr(other.found.insertions, name), rel=1e-9, abs=1e-13, nan_ok=True
        )


def test_a_level_far_from_zero_keeps_its_scatter():
    """Sums of squares of the values themselves would lose it: 1e-6 dB on 100 dB, 5,000 sweeps."""
    rng = np.random.default_rng(3)
    noise_db = 1e-6 * rng.normal(size=5000)
    item = 10.0 ** ((-100.0 + noise_db) / 20.0)
    readings = BandReadings(
        np.array([1e9]), ("S21",), np.ones((1, 1, 1), complex), np.zeros(1), np.zeros(1, int),
        item.astype(complex)[:, None, None], np.arange(1.0, 5001.0), np.zeros(5000, int),
    )  # fmt: skip
    found = reduced(in_blocks(readings, rng)).found.insertions
    assert found.within_db[0] == pytest.approx(noise_db.std(ddof=1), rel=1e-5)


def test_the_temperature_of_a_sweep_is_that_between_readings_close_by():
    read_time = np.array([0.0, 100.0, 5000.0])
    temperature_c = np.array([20.0, 21.0, 30.0])
    time = np.array([-TEMPERATURE_HOLDS_S - 1, -1, 50, 100, 100 + TEMPERATURE_HOLDS_S, 2000, 4990])
    found = temperature_at(time, read_time, temperature_c)
    line = 21.0 + 9.0 * (time - 100.0) / 4900.0
    assert found == pytest.approx([np.nan, 20.0, 20.5, 21.0, line[4], np.nan, line[6]], nan_ok=True)
    assert np.all(np.isnan(temperature_at(time, np.empty(0), np.empty(0))))
    # soon after the first reading, and the next one is far off
    apart = np.array([0.0, 2.0 * TEMPERATURE_HOLDS_S])
    near = temperature_at(np.array([1.0, TEMPERATURE_HOLDS_S]), apart, np.array([20.0, 21.2]))
    assert near == pytest.approx([20.001, 20.6])
    one = temperature_at(np.array([-1.0, 1.0]), np.zeros(1), np.array([20.0]))
    assert one.tolist() == [20.0, 20.0]


def test_sweeps_in_any_order_belong_to_their_insertions():
    """Numbers of insertions that go to and fro: means and scatter are those of each."""
    values, group = np.array([[1.0], [5.0], [3.0], [9.0]]), np.array([1, 0, 1, 0])
    scatter, means = GroupedScatter(2, 1), GroupedMeans(2)
    scatter.add(values, group)
    means.add(values, group)
    assert means.means.tolist() == scatter.means.tolist() == [[7.0], [2.0]]
    assert scatter.within_squares == pytest.approx([8.0 + 2.0])


def test_a_series_goes_with_the_temperature_and_needs_time_in_order():
    rng = np.random.default_rng(8)
    readings = drawn(rng)
    time = readings.insertion_time
    with_sensor = in_blocks(
        readings, rng, temperature_time=time[[0, -1]], temperature_c=np.array([20.0, 25.0])
    )
    series = reduced(with_sensor).series
    assert series.temperature_c[[0, -1]] == pytest.approx([20.0, 25.0])
    assert reduced(readings).series.temperature_c is None
    same = time.copy()
    same[-1] = same[-2]
    assert reduced(replace(readings, insertion_time=same)).series is None
