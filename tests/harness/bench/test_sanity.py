"""What is looked at before a sweep is stored as good, and what becomes of one that is not."""

from contextlib import nullcontext

import h5py
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import InstrumentError, LinkError
from drivers.sweep import S_PARAMETERS, SCALAR, SuspectSweepError, Sweep, SweepSettings
from harness.bench.bench import Bench
from harness.bench.equipment import Equipment
from harness.bench.readings_check import require_plausible
from harness.evaluation.run_analysis import assess
from harness.run_file import RunHeader, RunJournal, count_suspects, open_run, read_readings
from harness.run_file.run import Event
from procedures.qualify import qualify

BAND = SweepSettings(1e9, 2e9, 11, -10.0, 1e3)
GRID = BAND.frequency_hz()
FLOOR_DB = -90.0


def sweep(level_db=-1.0, *, traces=S_PARAMETERS, points=11, **changes):
    readings = np.full((len(traces), points), 10.0 ** (level_db / 20.0), complex)
    whole = {"frequency_hz": GRID, "traces": traces, "readings": readings, "time": 1.0}
    return Sweep(**{**whole, **changes})


def check(checked, floor_db=FLOOR_DB, traces=S_PARAMETERS):
    require_plausible(checked, traces, GRID, floor_db)


@given(st.floats(-89.0, 9.0), st.sampled_from([S_PARAMETERS, ("S21",), SCALAR]))
def test_what_a_passive_path_reads_is_plausible(level_db, traces):
    check(sweep(level_db, traces=traces), traces=traces)


def with_point(value):
    readings = sweep().readings.copy()
    readings[2, 5] = value
    return sweep(readings=readings)


@pytest.mark.parametrize(
    ("wrong", "says", "remedy"),
    [
        (with_point(np.nan), "1 of 11 points", "byte order"),
        (with_point(complex(0.0, np.inf)), "1 of 11 points", "byte order"),
        # SCPI-99 volume 1, 7.2.1.5: the number that stands for none
        (with_point(9.91e37), "1 of 11 points", "byte order"),
        (sweep(overloaded=True), "overloaded", "lower `power`"),
        (sweep(points=10), "10 points instead", "front panel"),
        (sweep(traces=("S21",)), "came with S21", "front panel"),
        (sweep(frequency_hz=GRID * (1 + 3e-6)), "point 1 of a sweep is at", "frequency commands"),
        (sweep(frequency_hz=np.geomspace(1e9, 2e9, 11)), "point 2", "spacing of the band"),
        (sweep(-95.0), "below the receiver's floor", "is RF on"),
        (sweep(-90.0), "below the receiver's floor", "take pads out"),
        (sweep(readings=np.zeros((4, 11), complex)), "below the receiver's floor", "is RF on"),
        (sweep(12.0), "more than was sent", "unit"),
    ],
)
def test_what_cannot_be_true_is_told_with_its_remedy(wrong, says, remedy):
    with pytest.raises(SuspectSweepError, match=says) as raised:
        check(wrong)
    assert remedy in raised.value.hint
    assert raised.value.sweep is wrong


class Scripted:
    """A source whose sweeps and troubles come in a given order, good ones at the end."""

    traces = S_PARAMETERS

    def __init__(self, *script, recovers=True):
        self.script = list(script)
        self.recovers = recovers
        self.recoveries = 0
        self.is_on = False
        self.time = 0.0

    def configure(self, settings):
        self.is_on = False

    def rf_on(self):
        self.is_on = True

    def rf_off(self):
        self.is_on = False

    def recover(self):
        self.recoveries += 1
        self.is_on = False
        if not self.recovers:
            raise LinkError("still nobody there")

    def confirm(self): ...

    def make_safe(self):
        self.is_on = False

    def sweep(self):
        assert self.is_on
        self.time += 1.0
        following = self.script.pop(0) if self.script else sweep()
        if isinstance(following, Exception):
            raise following
        return Sweep(
            following.frequency_hz, following.traces, following.readings, self.time,
            following.overloaded, following.remarks,
        )  # fmt: skip


class Nobody:
    def connect_through(self, *, again): ...

    def connect_item(self, item, insertion, of): ...

    def doing(self, what): ...

    def sweep_done(self): ...


HEADER = RunHeader(
    run_id="r1", procedure="qualify", parameters={}, started="2026-01-01T00:00:00+00:00",
    software="tareline", instruments=(), simulated=True, item={"id": "X", "return_loss_db": 20.0},
    station={
        "name": "bench", "bands": {"b": {"start_hz": 1e9, "stop_hz": 2e9, "points": 11}},
        "analyzer": {
            "resource": "r", "power_dbm": -10.0, "maximum_power_dbm": 0.0, "if_bandwidth_hz": 1e3,
            "source_match_db": 30.0, "load_match_db": 30.0,
        },
        "leads": {"connector": "SMA", "torque_n_m": 0.56, "connection_repeatability_db": 0.02},
    },
)  # fmt: skip


@pytest.fixture
def bench(tmp_path):
    """Makes a Bench with a real run file from a source."""
    made = []

    def make(source):
        path = tmp_path / f"run-{len(made) + 1}.h5"
        journal = RunJournal(path, HEADER, {"b": GRID}, S_PARAMETERS)
        made.append(journal)
        nobody = Nobody()
        equipment = Equipment(source, nobody, journal, nobody, lambda: 0.0, nullcontext, FLOOR_DB)
        return Bench(equipment, "X", {"b": BAND}), journal

    yield make
    for journal in made:
        journal.close()


def events_of(journal):
    with h5py.File(journal.path, "r", libver="latest", swmr=True) as file:
        return [Event(*(row[0], row[1].decode(), row[2].decode())) for row in file["events"][()]]


@pytest.mark.parametrize(
    "trouble",
    [with_point(np.nan), sweep(overloaded=True), sweep(-99.0), SuspectSweepError("no", sweep(-3))],
)
def test_a_suspect_sweep_is_kept_marked_and_made_again(bench, trouble):
    source = Scripted(sweep(), trouble)
    work, journal = bench(source)
    qualify(work, 3, 2)
    journal.close()
    assert source.recoveries == 1
    with open_run(journal.path) as file:
        assert count_suspects(file) == {"b": 1}
        readings = read_readings(file)["b"]
        raw = file["bands/b/normalization"]
        assert raw["time"].shape == (9,)
        assert raw["suspect"].dtype == np.int8
        assert raw["suspect"][()].tolist() == [0, 1]
    assert len(readings.normalization_time) == 8
    assert len(readings.insertion_time) == 6
    (result,) = assess(journal.path).values()
    assert np.all(np.isfinite(result.insertion_loss_db))
    assert any("1 sweep that cannot be true was kept, marked" in note for note in result.notes)
    told = [event.text for event in events_of(journal) if event.kind == "recovery"]
    assert [text.split(":")[0] for text in told] == [
        "starting afresh after", "works again after 0.0 s",
    ]  # fmt: skip


def test_a_sweep_that_stays_suspect_is_an_error_with_both_kept(bench):
    source = Scripted(sweep(), sweep(overloaded=True), sweep(overloaded=True))
    work, journal = bench(source)
    with pytest.raises(SuspectSweepError, match="overloaded"):
        qualify(work, 3, 2)
    with open_run(journal.path) as file:
        assert count_suspects(file) == {"b": 2}
        assert len(read_readings(file)["b"].normalization_time) == 1


def test_a_sweep_of_another_shape_cannot_be_kept_but_is_told(bench):
    work, journal = bench(Scripted(sweep(points=9)))
    qualify(work, 3, 1)
    with open_run(journal.path) as file:
        assert count_suspects(file) == {"b": 0}
    assert any("9 points instead" in event.text for event in events_of(journal))


def test_a_lost_link_costs_one_fresh_start_a_sweep(bench):
    lost = LinkError("gone")
    source = Scripted(lost, sweep(), lost)
    work, _ = bench(source)
    qualify(work, 3, 1)
    assert source.recoveries == 2
    again = Scripted(lost, lost)
    work, _ = bench(again)
    with pytest.raises(LinkError, match="gone"):
        work.normalize()
    assert again.recoveries == 1


def test_where_no_fresh_start_helps_that_is_the_error(bench):
    work, journal = bench(Scripted(sweep(), LinkError("gone"), recovers=False))
    with pytest.raises(InstrumentError, match="still nobody there"):
        qualify(work, 3, 1)
    with open_run(journal.path) as file:
        assert len(read_readings(file)["b"].normalization_time) == 1


def faint(*remarks):
    """A sweep with one point that is nothing but noise."""
    readings = sweep().readings.copy()
    readings[1, 3] = 1e-6
    return sweep(readings=readings, remarks=remarks)


def test_faint_points_that_pass_are_left_out(bench):
    """As when somebody else reset a meter in the middle of a sweep."""
    source = Scripted(sweep(), faint())
    work, journal = bench(source)
    qualify(work, 3, 1)
    assert source.recoveries == 1
    with open_run(journal.path) as file:
        assert count_suspects(file) == {"b": 1}
        assert np.abs(read_readings(file)["b"].normalization).min() > 0.5


def test_faint_points_that_stay_are_told_once_as_remarks_are(bench):
    source = Scripted(*[faint("the fan is loud") for _ in range(5)])
    work, journal = bench(source)
    qualify(work, 3, 1)
    assert source.recoveries == 1
    notes = [event.text for event in events_of(journal) if event.kind == "note"]
    assert sorted(notes) == [
        "band b: some points are at the receiver's floor",
        "band b: the fan is loud",
    ]
    with open_run(journal.path) as file:
        assert len(read_readings(file)["b"].normalization_time) == 8
