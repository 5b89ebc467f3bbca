"""Sweeps stored while the next is made: reported done only once they stay, none lost, in order;
and a band whose settings did not last is swept again."""

import os
import signal
import threading
from contextlib import nullcontext

import numpy as np
import pytest

from drivers.errors import AnswerError, LinkError, RunFileError
from drivers.stop_signals import StopRequested, StopSignals
from drivers.sweep import S_PARAMETERS, SuspectSweepError, Sweep, SweepSettings
from harness.bench.bench import Bench
from harness.bench.equipment import Equipment
from harness.bench.storing import Storing
from harness.run_file import RunHeader, RunJournal, count_suspects, open_run, read_readings
from harness.run_file.column import Column

BAND = SweepSettings(1e9, 2e9, 11, -10.0, 1e3)
GRID = BAND.frequency_hz()
HEADER = RunHeader("r1", "p", {}, "", "", {}, {}, (), simulated=True)
LONGEST_S = 20.0


def sweep(time=1.0):
    return Sweep(GRID, S_PARAMETERS, np.full((4, 11), 0.9, complex), time)


class Source:
    """Sweeps of which each has its number as its time; tells everything in `log`."""

    traces = S_PARAMETERS

    def __init__(self, log, confirmations=()):
        self.log = log
        self.confirmations = list(confirmations)
        self.made = 0
        self.at_sweep = lambda number: None

    def configure(self, settings):
        self.log.append("configure")

    def rf_on(self):
        self.log.append("rf on")

    def rf_off(self):
        self.log.append("rf off")

    def recover(self):
        self.log.append("recover")

    def make_safe(self):
        self.log.append("made safe")

    def confirm(self):
        self.log.append("confirm")
        outcome = self.confirmations.pop(0) if self.confirmations else None
        if outcome is not None:
            raise outcome

    def sweep(self):
        self.made += 1
        self.at_sweep(self.made)
        return sweep(float(self.made))


class Surroundings:
    """Exchange and progress in one; `done` and `again` count what was reported."""

    def __init__(self, log):
        self.log, self.done, self.again = log, 0, 0

    def connect_through(self, *, again):
        self.log.append(f"prompt after {self.done}")

    def connect_item(self, item, insertion, of):
        self.log.append(f"prompt after {self.done}")

    def doing(self, what): ...

    def sweep_done(self):
        self.done += 1
        self.log.append("done")

    def sweeps_again(self, count):
        self.again += count

    def say(self, text): ...


@pytest.fixture
def path(tmp_path):
    return tmp_path / "run.h5"


@pytest.fixture
def journal(path):
    journal = RunJournal(path, HEADER, {"a": GRID, "b": GRID}, S_PARAMETERS)
    yield journal
    journal.close()


@pytest.fixture
def log():
    return []


def bench_of(source, surroundings, journal, unbroken=nullcontext, **others):
    equipment = Equipment(
        source, surroundings, journal, surroundings, lambda: 0.0, unbroken, -90.0, **others
    )  # fmt: skip
    return Bench(equipment, "X", {"a": BAND, "b": BAND})


def times(path, kind="normalization"):
    with open_run(path) as file:
        return {band: group[kind]["time"][()].tolist() for band, group in file["bands"].items()}


@pytest.fixture
def held_disk(monkeypatch):
    """A disk that takes its time with every sweep until it is let go."""
    let_go, waiting = threading.Event(), threading.Event()
    fsync = os.fsync

    def slow(handle):
        waiting.set()
        assert let_go.wait(LONGEST_S)
        fsync(handle)

    def hold():
        monkeypatch.setattr(os, "fsync", slow)

    yield hold, waiting, let_go
    let_go.set()


def test_the_next_sweep_is_made_while_the_disk_works_and_nothing_is_done_before_it(
    journal, log, path, held_disk
):
    """Sweep 2 begins although the disk has not finished sweep 1, which is not reported yet."""
    hold, waiting, let_go = held_disk
    source, surroundings = Source(log), Surroundings(log)
    reported = {}

    def at_sweep(number):
        if number == 1:
            hold()
        if number == 2:
            assert waiting.wait(LONGEST_S)
            reported[number] = surroundings.done
            let_go.set()

    source.at_sweep = at_sweep
    bench_of(source, surroundings, journal).normalize(3)
    assert reported == {2: 0}
    assert surroundings.done == 6
    assert times(path) == {"a": [1, 2, 3], "b": [4, 5, 6]}


def test_everything_is_on_disk_before_settings_or_connections_change(journal, log):
    source, surroundings = Source(log), Surroundings(log)
    bench = bench_of(source, surroundings, journal)
    bench.normalize(2)
    for _ in bench.insertions(2):
        bench.sweep(1)
        log.append("returned")
    whole, item = 2 * ["done"], ["done"]
    # the first may be there before the band is confirmed, or after it
    log = sooner(log)
    through = ["configure", "rf on", *whole, "confirm"]
    inserted = ["configure", "rf on", *item, "confirm"]
    assert log == [
        "rf off", "prompt after 0", *through, *through, "rf off",
        "rf off", "prompt after 4", *inserted, *inserted, "rf off", "returned",
        "rf off", "prompt after 6", *inserted, *inserted, "rf off", "returned",
    ]  # fmt: skip


def sooner(log):
    """The same with what was reported about the time of a confirmation put before it."""
    told = list(log)
    for place in range(len(told) - 1):
        if told[place] == "confirm":
            later = place + 1
            while later < len(told) and told[later] == "done":
                told.insert(place, told.pop(later))
                later += 1
    return told


@pytest.mark.parametrize("ends_with", [StopRequested(2), LinkError("gone"), ValueError("defect")])
def test_what_was_handed_over_stays_whatever_ends_the_work(journal, log, path, ends_with):
    """Sweep 2 is on its way when the third fails, twice where that helps: both are kept."""
    source, surroundings = Source(log), Surroundings(log)

    def at_sweep(number):
        if number >= 3:
            raise ends_with

    source.at_sweep = at_sweep
    with pytest.raises(type(ends_with)):
        bench_of(source, surroundings, journal).normalize(4)
    assert surroundings.done == 2
    assert times(path) == {"a": [1, 2], "b": []}


def test_a_disk_that_refuses_ends_the_work_with_what_was_reported(journal, log, path, monkeypatch):
    source, surroundings = Source(log), Surroundings(log)

    def refuse(*_):
        raise OSError("no space left on device")

    def at_sweep(number):
        if number == 3:
            monkeypatch.setattr(Column, "write", refuse)

    source.at_sweep = at_sweep
    with pytest.raises(RunFileError, match="no space left"):
        bench_of(source, surroundings, journal).normalize(4)
    # both sweeps may have been on their way when the disk filled up; reported is what stays
    assert surroundings.done in (0, 1, 2)
    assert times(path)["a"] == list(range(1, surroundings.done + 1))
    assert source.made <= 4


def test_a_disk_that_hangs_does_not_keep_rf_on(journal, log, path, held_disk):
    """A stop while the sweeps are waited for: RF is off before the disk lets go."""
    hold, waiting, let_go = held_disk
    source = Source(log)
    signals = StopSignals()

    def at_sweep(number):
        if number == 1:
            hold()
        if number == 3:
            assert waiting.wait(LONGEST_S)
            threading.Timer(0.05, os.kill, (os.getpid(), signal.SIGTERM)).start()

    def make_safe():
        log.append("made safe")
        let_go.set()

    source.at_sweep, source.make_safe = at_sweep, make_safe
    surroundings = Surroundings(log)
    with signals, pytest.raises(StopRequested):
        bench_of(source, surroundings, journal, signals.deferred).normalize(3)
    # the disk lets go only when RF is off; what was under way then stays, and is reported
    assert log[-4:] == ["made safe", "done", "done", "done"]
    assert times(path)["a"] == [1, 2, 3]


@pytest.mark.parametrize(
    "call",
    [lambda bench: bench.note("x"), Bench.rf_off, Bench.normalize, Bench.check_normalization],
)
def test_every_call_looks_for_a_stop_signal(journal, log, call):
    """Also where what sweeps and connects knows of none, and before it is told anything."""
    with StopSignals():
        bench = bench_of(Source(log), Surroundings(log), journal)
        bench.normalize(1)
        told = list(log)
        os.kill(os.getpid(), signal.SIGTERM)
        with pytest.raises(StopRequested):
            call(bench)
        assert log == told


def test_a_run_file_that_is_elsewhere_is_told_before_rf_is_on(journal, log):
    def elsewhere():
        raise RunFileError("renamed")

    bench = bench_of(Source(log), Surroundings(log), journal, require_file=elsewhere)
    with pytest.raises(RunFileError, match="renamed"):
        bench.normalize(1)
    assert not {"configure", "rf on"} & set(log)


def test_no_thread_outlives_the_sweeping(journal, log):
    before = threading.active_count()
    bench_of(Source(log), Surroundings(log), journal).normalize(1)
    assert threading.active_count() == before


def test_without_a_thread_everything_is_there_at_once(journal, path):
    done = []
    storing = Storing(journal, nullcontext, lambda: done.append(1))
    storing.append("a", "insertions", 0, sweep(1.0))
    storing.append("a", "insertions", 0, sweep(2.0), is_suspect=True)
    assert times(path, "insertions")["a"] == [1, 2]
    assert len(done) == 1
    assert storing.rows("a", "insertions") == 2


CHANGED = SuspectSweepError("points was set to 11 but reads 12", sweep(), hint="look at the panel")


@pytest.mark.parametrize("trouble", [CHANGED, LinkError("gone")])
def test_a_band_whose_settings_did_not_last_is_swept_again(journal, log, path, trouble):
    source, surroundings = Source(log, [None, trouble]), Surroundings(log)
    bench = bench_of(source, surroundings, journal)
    bench.normalize(2)
    for _ in bench.insertions(1):
        bench.sweep(2)
    assert log.count("recover") == 1
    assert log[log.index("recover") :][:3] == ["recover", "configure", "rf on"]
    assert surroundings.again == 2
    with open_run(path) as file:
        assert count_suspects(file) == {"a": 0, "b": 2}
        good = read_readings(file)["b"]
        assert file["bands/b/normalization/suspect"][()].tolist() == [1, 1]
        texts = [row["text"].decode() for row in file["events"][()]]
    assert good.normalization_time.tolist() == [5, 6]
    assert any(trouble.what in text for text in texts)


def test_only_the_sweeps_of_that_time_are_doubted(journal, log, path):
    """Those of an earlier insertion were confirmed."""
    source = Source(log, [None, None, None, None, None, CHANGED])
    bench = bench_of(source, Surroundings(log), journal)
    bench.normalize(1)
    for _ in bench.insertions(2):
        bench.sweep(1)
    with open_run(path) as file:
        assert file["bands/b/insertions/suspect"][()].tolist() == [0, 1]
        assert read_readings(file)["b"].insertion.tolist() == [0, 1]


def test_settings_that_do_not_last_a_second_time_are_an_error(journal, log, path):
    source = Source(log, [CHANGED, CHANGED])
    surroundings = Surroundings(log)
    with pytest.raises(AnswerError, match="points was set to 11") as raised:
        bench_of(source, surroundings, journal).normalize(2)
    assert raised.value.hint == "look at the panel"
    assert surroundings.done == 4
    with open_run(path) as file:
        assert count_suspects(file) == {"a": 4, "b": 0}
        assert not len(read_readings(file)["a"].normalization_time)
