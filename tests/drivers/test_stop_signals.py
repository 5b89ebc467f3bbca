"""Signals that must not get lost: what is remembered, where it takes effect, and who insists."""

import os
import select
import signal
import subprocess
import sys
import threading
import time
import weakref
from pathlib import Path

import pytest

from drivers import stop_signals
from drivers.stop_signals import StopRequested, StopSignals, look, sleep, wait_ready
from harness.commands.start import main

HOUSE = Path(__file__).parents[2]
LONG_S, AT_ONCE_S = 60.0, 20.0
BEFORE_THE_COMMAND = """
import os, signal, sys
class InAnImport:
    def find_spec(self, name, path=None, target=None):
        if name == {name!r}:
            os.kill(os.getpid(), signal.{signal})
sys.meta_path.insert(0, InAnImport())
from harness.commands.start import main
sys.argv = ["tareline", "--version"]
main()
"""


class Referred:
    """What a weak reference can point to."""


def send(number=signal.SIGTERM):
    os.kill(os.getpid(), number)


def in_a_callback(action):
    """Do something where Python drops whatever is raised."""
    referred = Referred()
    kept = weakref.ref(referred, lambda _: action())
    del referred
    assert kept() is None


def status_of(action):
    """Exit status and standard error of a process that does this alone."""
    readable, writable = os.pipe()
    child = os.fork()
    if child == 0:
        os.dup2(writable, 2)
        action()
        os._exit(0)
    os.close(writable)
    with os.fdopen(readable) as said:
        text = said.read()
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), text


@pytest.mark.parametrize("number", stop_signals.STOPPING)
def test_a_signal_in_the_callback_of_a_weak_reference_is_not_lost(number):
    with StopSignals():
        look()
        in_a_callback(lambda: send(number))
        with pytest.raises(StopRequested, match=number.name) as raised:
            look()
    assert raised.value.exit_status == 128 + number
    look()


@pytest.mark.parametrize("wait", [lambda: sleep(LONG_S), wait_ready])
def test_a_signal_ends_a_wait_at_once(wait):
    begun = time.monotonic()
    threading.Timer(0.02, send).start()
    with StopSignals(), pytest.raises(StopRequested):
        wait()
    assert time.monotonic() - begun < AT_ONCE_S


def test_a_wait_ends_with_what_is_waited_for_or_its_time():
    readable, writable = os.pipe()
    with StopSignals():
        assert not wait_ready([readable], wait_s=0.01)
        os.write(writable, b".")
        assert wait_ready([readable])
        assert wait_ready(writing=[writable])
    os.close(readable)
    os.close(writable)


def test_what_must_be_finished_is_and_its_end_looks():
    done = []

    def work(stop):
        with stop.deferred():
            send()
            look()
            with stop.deferred():
                sleep(0.001)
            done.append("inner")

    with StopSignals() as stop:
        with pytest.raises(StopRequested):
            work(stop)
        with stop.shutting_down():
            look()
        # the next that is begun all the same does not get far
        with pytest.raises(StopRequested):
            sleep(0.0)
    assert done == ["inner"]


def test_outside_of_it_signals_are_as_they_were():
    before = [signal.getsignal(number) for number in stop_signals.STOPPING]
    with StopSignals() as outer:
        with StopSignals():
            send()
            with pytest.raises(StopRequested):
                look()
        outer.look()
        send()
        with pytest.raises(StopRequested):
            sleep(LONG_S)
    assert [signal.getsignal(number) for number in stop_signals.STOPPING] == before
    assert signal.set_wakeup_fd(-1) == -1


def test_what_the_parent_ignores_stays_ignored():
    handler = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with StopSignals():
            send(signal.SIGHUP)
            look()
    finally:
        signal.signal(signal.SIGHUP, handler)


@pytest.mark.parametrize(
    ("later_s", "section", "status"),
    [(0.1, "deferred", 130), (0.0, "deferred", 0), (0.1, "making_safe", 0)],
)
def test_who_insists_ends_what_hangs_but_not_while_rf_goes_off(
    monkeypatch, later_s, section, status
):
    """A terminal that closes sends two signals at once, which is no insisting."""
    monkeypatch.setattr(stop_signals, "INSISTING_S", 0.05)

    def hang():
        with StopSignals() as stop, getattr(stop, section)():
            send(signal.SIGHUP)
            time.sleep(later_s)
            send(signal.SIGINT)
            os._exit(0)

    ended, said = status_of(hang)
    assert ended == status, said
    assert ("SIGINT came again" in said) == (status != 0)


def test_without_instruments_a_stop_that_was_dropped_ends_the_command_a_little_later(monkeypatch):
    monkeypatch.setattr(stop_signals, "GRACE_S", 0.05)

    def command():
        stop_signals.listen()
        in_a_callback(send)
        select.select([], [], [], LONG_S)

    ended, said = status_of(command)
    assert ended == 128 + signal.SIGTERM
    assert "tareline: stopped by SIGTERM" in said


@pytest.mark.parametrize(
    ("name", "number"), [("typer", "SIGINT"), ("harness.commands.cli", "SIGTERM")]
)
def test_a_stop_while_the_command_is_imported_is_an_interruption(name, number):
    done = subprocess.run(
        [sys.executable, "-c", BEFORE_THE_COMMAND.format(name=name, signal=number)],
        cwd=HOUSE, capture_output=True, text=True, check=False, timeout=110,
    )  # fmt: skip
    assert done.returncode == 128 + getattr(signal, number)
    assert done.stderr == f"tareline: stopped by {number}\n"


def test_nothing_that_takes_time_is_imported_before_signals_are_listened_to():
    code = "import sys, harness.commands.start; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=HOUSE, capture_output=True, text=True, check=True,
        timeout=110,
    )  # fmt: skip
    ours = {name for name in done.stdout.split() if name.startswith(("harness", "drivers"))}
    assert ours == {
        "drivers", "drivers.stop_signals", "harness", "harness.commands", main.__module__,
    }  # fmt: skip
    assert not {"typer", "numpy", "rich"} & set(done.stdout.split())
