"""The zero of a sitting: what goes into an item's file, and how far it may move."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import InputError
from drivers.sweep import Sweep
from harness.bench.zero_record import ZeroRecord, zero_moves
from harness.run_file.run import Event
from harness.station.items import read_workplace
from harness.station.starter_files import write_starter

GRID = np.array([1e9, 2e9, 3e9])


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    folder = tmp_path_factory.mktemp("station")
    write_starter(folder)
    return read_workplace(folder / "station.toml", folder / "items.toml").station


def without_limit(station):
    """The same, without a stated most change of the zero."""
    return station.model_copy(
        update={"zero": station.zero.model_copy(update={"most_change_db": None})}
    )


def check(levels_db, time=0.0, bands=("low", "high")):
    """A check of the zero: one sweep of each level (3,) in every band."""
    record = ZeroRecord()
    for band in bands:
        for number, level_db in enumerate(levels_db):
            readings = 10.0 ** (np.asarray(level_db, dtype=float) / 20.0)[None, :] + 0j
            sweep = Sweep(GRID, ("S21",), readings, time + number)
            record.append(band, "normalization", 0, sweep)
    return record


@given(st.lists(st.floats(-0.5, 0.5), min_size=3, max_size=3))
def test_the_move_is_the_largest_change_of_the_mean_level(station, change_db):
    before = check([[-20.0, -20.2, -20.4], [-20.2, -20.0, -20.2]])
    moved = np.array(change_db)
    after = check([np.add(moved, [-20.1, -20.1, -20.3])], time=600.0)
    for move in zero_moves(before, after, station):
        assert move.change_db == pytest.approx(np.abs(moved).max(), abs=1e-9)
        assert move.is_too_much == (move.change_db > 0.1)
        assert move.allowed_db == 0.1


def test_a_step_of_the_readings_is_no_move(station):
    """Rounded to 0.1 dB a zero within its 0.1 dB may seem to have moved by two steps."""
    analyzer = station.analyzer.model_copy(update={"resolution_db": 0.1})
    coarse = station.model_copy(update={"analyzer": analyzer})
    before, after = check([[-20.0] * 3]), check([[-20.15] * 3], time=600.0)
    assert all(move.is_too_much for move in zero_moves(before, after, station))
    assert not any(move.is_too_much for move in zero_moves(before, after, coarse))


def test_without_a_stated_limit_drift_and_makings_are_allowed(station):
    """0.15 dB/h in two hours, and 3 sqrt(2) of 0.02 dB: the starting station's statements."""
    before, after = check([[-20.0] * 3]), check([[-20.0] * 3], time=7200.0)
    (move, *_) = zero_moves(before, after, without_limit(station))
    assert move.allowed_db == pytest.approx(0.30 + 3.0 * np.sqrt(2.0) * 0.02)


def test_suspect_sweeps_stay_but_do_not_count(station):
    record = check([[-20.0] * 3, [-30.0] * 3])
    record.mark_suspect("low", "normalization", 1)
    record.event(Event(1.0, "note", "odd"))
    assert record.level_db("low") == pytest.approx([-20.0] * 3)
    assert record.level_db("high") == pytest.approx([-25.0] * 3)
    assert record.had_trouble
    assert record.time == 1.0
    kept = ZeroRecord()
    record.write_into(kept, 1)
    assert [(row.band, row.is_suspect) for row in kept.rows] == [
        ("low", False), ("low", True), ("high", False), ("high", False),
    ]  # fmt: skip
    assert kept.events == record.events


def test_checks_of_different_bands_cannot_be_compared(station):
    with pytest.raises(InputError, match="different bands"):
        zero_moves(check([[-20.0] * 3]), check([[-20.0] * 3], bands=("low",)), station)
