"""Killed in any phase: RF goes off, and what was kept can be read. `pytest -s` shows the table."""

import os
import select
import signal
import sys
import time

import pytest

from drivers.instruments.network_analyzer import NetworkAnalyzer
from drivers.link.traffic_log import TrafficLog
from drivers.stop_signals import StopSignals
from harness.run_file import RunJournal
from harness.running import item_run
from harness.running.progress import BesideProgress
from tests.harness.short_run import (
    DEADLINE_S,
    ITEM,
    SOURCES,
    arm,
    ask,
    kept_sweeps,
    show_table,
    station_on,
)
from tests.long_cases import long

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGKILL)
PHASES = (
    "connecting", "normalizing", "waiting for a person", "sweeping", "reading", "storing",
    "analysing",
)  # fmt: skip
AFTER = {
    ("vector", "sweeping"): ("INITiate:IMMediate", 6),
    ("vector", "reading"): ("TRACe:DATA?", 6),
    ("stepped", "zeroing"): ("CALibration:ZERO", 1),
    ("stepped", "sweeping"): ("INITiate:IMMediate", 23),
    ("stepped", "reading"): ("FETCh?", 23),
    ("tracking", "sweeping"): ("INITiate:IMMediate", 6),
    ("tracking", "reading"): ("TRACe:DATA?", 6),
    ("switch", "sweeping"): ("INITiate:IMMediate", 6),
    ("switch", "switching"): ("ROUTe:CLOSe (@102)", 1),
}  # fmt: skip
"""The message behind which a run is halted, and which of its kind; each is about the sixth sweep,
or the fifth of five points a sweep."""
RF_IS_ON = ("normalizing", "sweeping", "reading", "storing")
_killed = {}


@pytest.fixture(scope="module", autouse=True)
def kill_table():
    yield
    if _killed:
        show_table(
            ["set-up", "killed while", *(each.name for each in SIGNALS)],
            [[*key, *(found.get(each.name, "") for each in SIGNALS)]
             for key, found in _killed.items()],
        )  # fmt: skip


def halt_in(set_up, phase, announce):
    """Have the run stop in a phase and tell: where the real work is done, before and after it."""

    told, tell = os.pipe()
    remember = StopSignals._receive

    def receive(signals, number, frame):
        os.write(tell, b".")
        remember(signals, number, frame)

    StopSignals._receive = receive

    def stop():
        """Until a signal comes, in whichever thread this is."""
        announce()
        assert select.select([told], [], [], 3 * DEADLINE_S)[0], "no signal came"

    def halted(owner, name, *, before=False, nth=1):
        real = getattr(owner, name)
        calls = []

        def wrapped(*arguments, **named):
            calls.append(1)
            if before and len(calls) == nth:
                stop()
            result = real(*arguments, **named)
            if not before and len(calls) == nth:
                stop()
            return result

        setattr(owner, name, wrapped)

    def halted_behind(text, nth):
        """At whatever is sent or received next after the nth message that holds `text`."""
        left = [nth]

        def wrap(name):
            real = getattr(TrafficLog, name)

            def wrapped(log, resource, message):
                if left[0] == 0:
                    left[0] = -1
                    stop()
                real(log, resource, message)
                if name == "sent" and text.encode() in message:
                    left[0] -= 1

            setattr(TrafficLog, name, wrapped)

        wrap("sent")
        wrap("received")

    if (set_up, phase) in AFTER:
        halted_behind(*AFTER[set_up, phase])
        return
    {
        "connecting": lambda: halted(NetworkAnalyzer, "open"),
        "normalizing": lambda: halted(NetworkAnalyzer, "rf_on"),
        "waiting for a person": lambda: halted(BesideProgress, "ask", before=True),
        "storing": lambda: halted(RunJournal, "append", before=True, nth=6),
        "analysing": lambda: halted(item_run, "finish", before=True),
    }[phase]()


def run_until(set_up, phase, folder):
    """A child process that carries the job out up to a phase and halts there; its number."""
    readable, writable = os.pipe()
    child = os.fork()
    if child:
        os.close(writable)
        told = os.read(readable, 1)
        os.close(readable)
        assert told, "the run ended before it came to the phase"
        return child
    status = 70
    try:
        os.close(readable)
        os.chdir(folder)
        quiet = os.open("messages.txt", os.O_WRONLY | os.O_CREAT)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
        sys.argv = ["tareline", "run", "qualify", "--item", ITEM, "--insertions", "3"]
        halt_in(set_up, phase, lambda: os.write(writable, b"."))
        from harness.commands.start import main

        main()
        status = 0
    except SystemExit as ended:
        status = int(ended.code or 0)
    finally:
        sys.stderr.flush()
        os._exit(status)


def kill(benches, folder, set_up, phase, number):
    """Kill a run in a phase; what must be true afterwards."""
    bench, source = benches[set_up], SOURCES[set_up]
    arm(bench)
    station_on(bench, folder, set_up)
    if phase == "waiting for a person":
        text = (folder / "station.toml").read_text("utf-8")
        start, end = text.index("[simulation]"), text.index("[analyzer]")
        (folder / "station.toml").write_text(text[:start] + text[end:], "utf-8")
    child = run_until(set_up, phase, folder)
    was_on = ask(bench, source, "OUTPut?") == "1"
    assert was_on == (phase in RF_IS_ON)
    results = folder / "results"
    kept = kept_sweeps(results)[0] if results.exists() else 0
    begun = time.monotonic()
    os.kill(child, number)
    _, status = os.waitpid(child, 0)
    while ask(bench, source, "OUTPut?") != "0":
        assert time.monotonic() - begun < DEADLINE_S, "RF stayed on"
    took_s = time.monotonic() - begun
    # where RF was off anyway its guard still acts, and must not into the next test
    while number == signal.SIGKILL and "guard" not in (folder / "messages.txt").read_text("utf-8"):
        assert time.monotonic() - begun < DEADLINE_S, "the guard did not tell what it did"
    messages = (folder / "messages.txt").read_text("utf-8")
    assert "Traceback" not in messages, messages
    if number == signal.SIGKILL:
        assert os.WTERMSIG(status) == number
    else:
        assert os.waitstatus_to_exitcode(status) == 128 + number, messages
        assert f"stopped by {number.name}; RF is off" in messages
    if phase != "connecting":
        # a sweep that is being stored is not broken off, except by what breaks anything off
        is_stored = phase == "storing" and number != signal.SIGKILL
        assert kept_sweeps(results)[0] >= kept + is_stored
    _killed.setdefault((set_up, phase), {})[number.name] = (
        f"RF {'on -> off' if was_on else 'off'} in {took_s:.1f} s, {kept} kept"
    )


QUICK = [
    *((phase, signal.SIGKILL) for phase in PHASES),
    *((phase, signal.SIGINT) for phase in ("waiting for a person", "reading", "storing")),
    ("sweeping", signal.SIGTERM),
]
ELSEWHERE = [(*each, number) for each in AFTER if each[0] != "vector" for number in SIGNALS[1:]]
QUICK_ELSEWHERE = [
    ("stepped", "sweeping", signal.SIGKILL), ("tracking", "reading", signal.SIGTERM),
    ("switch", "switching", signal.SIGKILL),
]  # fmt: skip


@pytest.mark.parametrize(
    ("phase", "number"),
    [
        *QUICK,
        *long(*((p, number) for p in PHASES for number in SIGNALS if (p, number) not in QUICK)),
    ],
)
def test_killed_in_any_phase_rf_is_off_and_what_was_kept_can_be_read(
    benches, tmp_path, phase, number
):
    kill(benches, tmp_path, "vector", phase, number)


@pytest.mark.parametrize(
    ("set_up", "phase", "number"),
    [*QUICK_ELSEWHERE, *long(*(each for each in ELSEWHERE if each not in QUICK_ELSEWHERE))],
)
def test_other_set_ups_are_as_safe_where_they_differ(benches, tmp_path, set_up, phase, number):
    kill(benches, tmp_path, set_up, phase, number)
