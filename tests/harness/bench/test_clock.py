"""The run's clock: never set, never stepping back, and waited for in a way that a signal ends."""

import os
import signal
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.stop_signals import StopRequested, StopSignals
from harness.bench import clock as clock_module
from harness.bench.clock import SteadyClock, wait_until


def test_a_clock_that_somebody_sets_back_changes_nothing(monkeypatch):
    clock = SteadyClock()
    before = clock()
    assert abs(before - time.time()) < 1.0
    monkeypatch.setattr(time, "time", lambda: 0.0)
    assert before <= clock() < before + 5.0


def test_a_run_that_goes_on_does_not_begin_before_it_had_stopped():
    """Where the computer's clock was set back meanwhile."""
    future = time.time() + 1000.0
    assert future <= SteadyClock(future)() < future + 5.0


@given(st.lists(st.floats(0.0, 90.0), min_size=1, max_size=5))
def test_waiting_ends_at_its_time_however_long_each_sleep_is(waits):
    """With a clock that moves only while the process sleeps, or the whole computer does."""
    now = [1.79e9]

    def sleep(seconds):
        assert 0.0 < seconds <= clock_module.LONGEST_SLEEP_S
        now[0] += seconds

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clock_module, "sleep", sleep)
        for wait in waits:
            until = now[0] + wait
            wait_until(until, lambda: now[0], None)
            assert now[0] == pytest.approx(until, abs=1e-6)
            wait_until(until - 10.0, lambda: now[0], None)
            assert now[0] == pytest.approx(until, abs=1e-6)


def test_a_stop_signal_ends_the_waiting():
    clock = SteadyClock()
    threading.Timer(0.02, os.kill, (os.getpid(), signal.SIGTERM)).start()
    begun = time.monotonic()
    with StopSignals(), pytest.raises(StopRequested):
        wait_until(clock() + 60.0, clock, None)
    assert time.monotonic() - begun < 30.0
