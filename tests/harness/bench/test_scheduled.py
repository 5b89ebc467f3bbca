"""A Bench that keeps a schedule: on time, checked, patient, and telling what it could not do."""

import os
import re
import threading
from contextlib import nullcontext

import numpy as np
import pytest

from drivers.errors import InputError, LinkError, RunFileError
from drivers.stop_signals import StopRequested
from drivers.sweep import S_PARAMETERS, Sweep, SweepSettings
from harness.analysis.loss.band import BandReadings
from harness.bench.bench import Bench
from harness.bench.equipment import Equipment
from harness.bench.rehearsal import StandIn, rehearse
from harness.bench.storing import Storing
from harness.run_file import (
    RunHeader,
    RunJournal,
    open_run,
    read_events,
    read_readings,
    read_temperature,
)
from procedures.overnight import overnight

BAND = SweepSettings(1e9, 2e9, 11, -10.0, 1e3)
GRID = BAND.frequency_hz()
HEADER = RunHeader("r1", "overnight", {}, "", "", {}, {}, (), simulated=True)
SWEEP_S, CONNECTING_S = 2.0, 50.0
START = 1.79e9
LONGEST_S = 20.0


class World:
    """Source, exchange, progress and clock: a bench whose time passes by what is done on it."""

    traces = S_PARAMETERS

    def __init__(self, *, needs_a_person=False):
        self.needs_a_person = needs_a_person
        self.now, self.is_on, self.log = START, False, []
        self.trouble = lambda: None
        self.recovers = lambda: None
        self.is_reachable = True

    def clock(self):
        return self.now

    def wait_until(self, until):
        assert not self.is_on, "RF is off while nothing is swept"
        self.now = max(self.now, until)

    def configure(self, settings): ...

    def rf_on(self):
        self.is_on = True

    def rf_off(self):
        self.is_on = False

    def recover(self):
        self.is_on = False
        self.recovers()

    def make_safe(self):
        if not self.is_reachable:
            raise LinkError("nobody answers")
        self.is_on = False

    def confirm(self): ...

    def sweep(self):
        self.trouble()
        self.now += SWEEP_S
        return Sweep(GRID, S_PARAMETERS, np.full((4, 11), 0.9, complex), self.now)

    def connect_through(self, *, again):
        assert not self.is_on
        self.now += CONNECTING_S

    def connect_item(self, item, insertion, of):
        assert not self.is_on
        self.now += CONNECTING_S

    def finish(self): ...

    def doing(self, what):
        self.log.append(what)

    def at(self, place): ...

    def sweep_done(self): ...

    def sweeps_again(self, count): ...

    def say(self, text): ...


@pytest.fixture
def journal(tmp_path):
    journal = RunJournal(tmp_path / "run.h5", HEADER, {"b": GRID}, S_PARAMETERS)
    yield journal
    journal.close()


def bench_on(world, journal, **named):
    equipment = Equipment(
        source=world, exchange=world, journal=journal, progress=world, clock=world.clock,
        unbroken=nullcontext, floor_db=-90.0, wait_until=world.wait_until, **named,
    )  # fmt: skip
    return Bench(equipment, "X", {"b": BAND})


def night(bench, **named):
    """Ten minutes of it, by default without checks in between."""
    overnight(bench, "1 min", "10 min", **{"check_every": "", **named})
    bench.rf_off()
    bench.close()


def found(journal) -> tuple[BandReadings, list]:
    journal.close()
    with open_run(journal.path) as file:
        return read_readings(file)["b"], list(read_events(file))


def texts(events, kind):
    return [event.text for event in events if event.kind == kind]


def test_sweeps_are_on_the_schedule(journal):
    night(bench_on(World(), journal))
    readings, events = found(journal)
    (start,) = [event.time for event in events if event.kind == "schedule"]
    assert readings.insertion_time.tolist() == [start + 60.0 * k + SWEEP_S for k in range(10)]
    assert not texts(events, "missed")
    assert len(readings.normalization_time) == 8


def test_the_zero_is_checked_on_the_way_and_the_item_inserted_anew(journal):
    night(bench_on(World(), journal), check_every="4 min")
    readings, events = found(journal)
    assert readings.insertion.tolist() == 5 * [0] + 4 * [1] + [2]
    assert np.unique(readings.normalization_making).tolist() == [0, 1, 2, 3]
    (start,) = [event.time for event in events if event.kind == "schedule"]
    late_s = readings.insertion_time - (start + 60.0 * np.arange(10)) - SWEEP_S
    # a check takes two connections and four sweeps, 108 s: one tick is late by what is left of it
    assert len(readings.insertion_time) + len(texts(events, "missed")) >= 10
    assert late_s[:5].tolist() == 5 * [0.0]


def test_ticks_that_a_check_takes_are_told(journal):
    overnight(bench_on(World(), journal), "20 s", "10 min", "5 min")
    readings, events = found(journal)
    missed = sum(int(text.split()[0]) for text in texts(events, "missed"))
    assert len(readings.insertion_time) + missed == 30
    assert missed > 0
    assert all("the zero was checked" in text for text in texts(events, "missed"))


def test_by_hand_the_zero_is_checked_at_the_ends_only_and_that_is_said_once(journal):
    night(bench_on(World(needs_a_person=True), journal), check_every="2 min")
    readings, events = found(journal)
    assert np.unique(readings.normalization_making).tolist() == [0, 1]
    assert [text for text in texts(events, "note") if "by hand" in text] == texts(events, "note")
    assert len(texts(events, "note")) == 1


def test_sweeps_that_take_longer_than_the_interval_are_told(journal):
    overnight(bench_on(World(), journal), "1 s", "20 s", "")
    readings, events = found(journal)
    missed = sum(int(text.split()[0]) for text in texts(events, "missed"))
    assert len(readings.insertion_time) + missed == 20
    assert all("sweeping takes longer than the interval" in t for t in texts(events, "missed"))


@pytest.mark.parametrize("is_reachable", [True, False])
def test_an_instrument_that_is_away_is_waited_for(journal, is_reachable):
    """Away for two and a half minutes in the fourth: its ticks are missed, the rest is on time."""
    world = World()
    world.is_reachable = is_reachable
    away = (START + 300.0, START + 450.0)

    def trouble():
        if away[0] <= world.now < away[1]:
            raise LinkError("nobody there")

    world.trouble = world.recovers = trouble
    bench = bench_on(world, journal)
    night(bench)
    readings, events = found(journal)
    told = texts(events, "recovery")
    assert told[0] == "starting afresh after: nobody there"
    assert "waiting up to 600 s" in told[1]
    assert ("RF is off" in told[1]) == is_reachable
    assert ("RF may be on" in told[1]) != is_reachable
    lasted = re.match(r"works again after (\d+)\.\d s: nobody there", told[-1])
    assert lasted is not None
    assert 120 <= int(lasted[1]) <= 240
    assert len(told) == 3
    (text,) = texts(events, "missed")
    assert "an instrument failed" in text
    missed = int(text.split()[0])
    assert len(readings.insertion_time) + missed == 10
    (start,) = [event.time for event in events if event.kind == "schedule"]
    late_s = np.mod(readings.insertion_time - start, 60.0) - SWEEP_S
    # the one that was waited for, and the one that was due when it was done
    assert np.count_nonzero(late_s > 1e-3) <= 2


def test_patience_ends(journal):
    world = World()

    def trouble():
        if world.now > START + 300.0:
            raise LinkError("nobody there")

    world.trouble = trouble
    bench = bench_on(world, journal)
    with pytest.raises(LinkError, match="nobody there"):
        night(bench, patience="5 min")
    bench.close()
    assert 300.0 <= world.now - START - 300.0 <= 420.0
    readings, _ = found(journal)
    assert len(readings.insertion_time) > 0


def test_the_temperature_is_kept_and_a_sensor_that_fails_is_told_once(journal):
    world, asked = World(), []

    def read_c():
        asked.append(world.now)
        if 3 <= len(asked) <= 5:
            raise LinkError("the sensor is gone")
        return 20.0 + len(asked)

    night(bench_on(world, journal, temperature_c=read_c))
    journal.close()
    with open_run(journal.path) as file:
        time, temperature_c = read_temperature(file)
        notes = texts(read_events(file), "note")
    assert temperature_c.tolist() == [21.0, 22.0, 26.0, 27.0, 28.0, 29.0, 30.0]
    assert np.all(np.diff(time) >= 60.0)
    assert len(notes) == 2
    assert "the sensor is gone" in notes[0]
    assert "answers again" in notes[1]


def test_it_ends_once_the_uncertainty_is_small_enough(journal):
    looks = []

    def uncertainty_db():
        looks.append(1)
        return 0.2 / len(looks)

    bench = bench_on(World(), journal, uncertainty_db=uncertainty_db)
    overnight(bench, "1 min", "8 h", "", until="0.05 dB")
    readings, events = found(journal)
    # looked at after 10, 11, 13 and 15 ticks
    assert len(readings.insertion_time) == 15
    assert any("U has come down to 0.0500 dB" in text for text in texts(events, "note"))
    assert len(readings.normalization_time) == 8


def test_a_loop_that_the_procedure_leaves_has_ended_its_schedule(journal):
    bench = bench_on(World(), journal)
    bench.normalize()
    for tick in bench.scheduled("1 min", "1 h"):
        bench.sweep()
        if tick == 2:
            break
    bench.check_normalization()
    _, events = found(journal)
    assert len(texts(events, "schedule-end")) == 1


@pytest.mark.parametrize("ends_with", [StopRequested(2), ValueError("a defect")])
def test_a_schedule_that_an_error_ends_may_go_on(journal, ends_with):
    bench = bench_on(World(), journal)

    def procedure():
        bench.normalize()
        for tick in bench.scheduled("1 min", "1 h"):
            bench.sweep()
            if tick == 2:
                raise ends_with

    with pytest.raises(type(ends_with)):
        procedure()
    bench.close()
    readings, events = found(journal)
    assert not texts(events, "schedule-end")
    assert len(readings.insertion_time) == 3


def test_a_slow_disk_sheds_nothing_and_delays_nothing(journal, monkeypatch):
    """The disk takes nothing from the second tick to the eighth: ticks are made on time, and
    reported, in order, once it does."""
    let_go, fsync = threading.Event(), os.fsync
    world = World()

    def slow(handle):
        assert let_go.wait(LONGEST_S)
        fsync(handle)

    done = []
    world.sweep_done = lambda: done.append(world.now)
    bench = bench_on(world, journal)
    bench.normalize()
    reported = []
    for tick in bench.scheduled("1 min", "10 min", check_every=""):
        if tick == 1:
            monkeypatch.setattr(os, "fsync", slow)
        bench.sweep()
        reported.append(len(done) - 4)
        if tick == 8:
            let_go.set()
    bench.check_normalization()
    readings, events = found(journal)
    (start,) = [event.time for event in events if event.kind == "schedule"]
    assert readings.insertion_time.tolist() == [start + 60.0 * k + SWEEP_S for k in range(10)]
    assert max(reported[1:8]) <= 1
    assert len(done) == 4 + 10 + 4
    assert not texts(events, "missed")


def test_a_full_queue_waits_and_keeps_the_order(tmp_path):
    """Nothing is dropped where more comes than may wait."""
    room, most, taken = threading.Semaphore(0), [0], []

    class Slow:
        def append(self, band, kind, index, sweep, *, is_suspect=False):
            assert room.acquire(timeout=LONGEST_S)
            taken.append(index)

        def event(self, event):
            taken.append(event)

    storing = Storing(Slow(), nullcontext, lambda: None, most_waiting=3)
    with storing:
        helper = threading.Timer(0.05, lambda: [room.release() for _ in range(20)])
        helper.start()
        for number in range(20):
            storing.append("b", "insertions", number, None)
            most[0] = max(most[0], len(storing._under_way))
        storing.event("last")
        helper.join()
    assert taken == [*range(20), "last"]
    assert most[0] == 3


def test_after_a_refusal_nothing_takes_the_place_of_what_was_refused():
    taken = []

    class Full:
        def append(self, band, kind, index, sweep, *, is_suspect=False):
            if index == 1:
                raise RunFileError("no space left")
            taken.append(index)

    storing = Storing(Full(), nullcontext, lambda: None)

    def store():
        with storing:
            for number in range(5):
                storing.append("b", "insertions", number, None)

    with pytest.raises(RunFileError, match="no space left"):
        store()
    assert taken == [0]


@pytest.mark.parametrize(("needs_a_person", "checks"), [(False, 1 + 2 + 1), (True, 2)])
def test_rehearsal_tells_the_work(needs_a_person, checks):
    """Three hours of minutes, with checks after the first hour and the second."""
    stand_in = StandIn(needs_a_person=needs_a_person)
    work = rehearse(lambda bench: overnight(bench, lasting="3 h"), "X", {"b": BAND}, stand_in)
    assert work.sweeps == 180 + 4 * checks
    assert stand_in.now() == pytest.approx(179 * 60.0)


def test_a_schedule_needs_a_zero():
    def procedure(bench):
        for _ in bench.scheduled("1 min", "1 h"):
            bench.sweep()

    with pytest.raises(InputError, match="before the station is normalized"):
        rehearse(procedure, "X", {"b": BAND})
