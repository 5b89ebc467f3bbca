"""The guard: RF goes off when the program is killed, and only then."""

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import asdict

import pytest

from drivers.errors import InstrumentError
from drivers.link.guard import Guard
from drivers.link.link import DEFAULT_WIRE, Link, WireSettings
from tests.drivers.scripted_peer import ScriptedPeer
from tests.drivers.serial_bridge import serial_bridge
from tests.long_cases import long

COMMANDS = ("ABORt", "OUTPut:STATe OFF")
WITHIN_S = 1.0
PROGRAM = """
import sys
from drivers.link.guard import Guard
from drivers.link.link import Link

resource, how = sys.argv[1:]
guard = Guard(resource, ("ABORt", "OUTPut:STATe OFF"))
link = Link(resource)
link.open()
link.write("OUTPut:STATe ON")
assert link.query("OUTPut:STATe?") == "1"
try:
    print(guard.process_id, flush=True)
    sys.stdin.read()
except KeyboardInterrupt:
    print("tidying up", flush=True)
    sys.stdin.read()
if how == "forget":
    sys.exit(0)
guard.dismiss()
print("dismissed", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def observer(bench):
    """Another client of the analyzer, who sees whether RF is on."""
    link = Link(bench.addresses["analyzer"])
    link.open()
    link.write("*RST;*CLS")
    yield link
    link.close()


@pytest.fixture
def start(bench):
    """Start a program that has switched RF on and waits; gives it and its guard's process."""
    programs = []

    def begin(how=""):
        program = subprocess.Popen(
            [sys.executable, "-c", PROGRAM, bench.addresses["analyzer"], how],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            start_new_session=True,  # as a shell gives a program a group of its own
        )
        programs.append(program)
        return program, int(program.stdout.readline())

    yield begin
    for program in programs:
        with suppress(ProcessLookupError):
            program.kill()
        program.communicate()


def is_alive(process_id):
    """Whether a process runs; one that has ended but was not waited for does not."""
    try:
        with open(f"/proc/{process_id}/stat") as stat:
            return stat.read().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def until(holds, limit_s=10.0):
    """Seconds until it holds."""
    begin = time.monotonic()
    while not holds():
        assert time.monotonic() - begin < limit_s, "it never came to hold"
        os.sched_yield()
    return time.monotonic() - begin


@pytest.mark.parametrize("name", ["SIGKILL", "SIGTERM", *long("SIGSEGV")])
def test_rf_is_off_within_a_second_of_the_end_of_the_program(start, observer, name):
    program, guard = start()
    assert observer.query("OUTP?") == "1"
    program.send_signal(getattr(signal, name))
    took_s = until(lambda: observer.query("OUTP?") == "0")
    print(f"RF off {took_s * 1e3:.0f} ms after {name}")
    assert took_s < WITHIN_S
    assert program.wait() == -getattr(signal, name)
    until(lambda: not is_alive(guard))


def test_it_also_aborts_a_sweep_that_is_under_way(start, observer):
    program, _ = start()
    hand = Link(observer.resource)
    hand.open()
    hand.write("SWE:TIME:AUTO OFF;:SWE:TIME 100;:INIT")
    hand.close()
    program.kill()
    until(lambda: observer.query("OUTP?") == "0")
    assert int(observer.query("STAT:OPER:COND?")) & 8 == 0  # sweeping: SCPI-99 volume 1, 20.1


def test_a_program_that_ends_without_a_word_is_one_that_was_killed(start, observer):
    program, guard = start("forget")
    program.stdin.close()
    program.stdin = None
    assert until(lambda: observer.query("OUTP?") == "0") < WITHIN_S
    until(lambda: not is_alive(guard))


def test_dismissed_it_leaves_rf_alone(start, observer):
    program, guard = start()
    program.stdin.close()
    program.stdin = None
    assert program.stdout.readline() == "dismissed\n"
    assert not is_alive(guard)
    assert observer.query("OUTP?") == "1"
    program.kill()
    program.wait()
    assert observer.query("OUTP?") == "1"


@pytest.mark.parametrize("to_guard", [False, True])
def test_ctrl_c_leaves_it_on_watch_until_the_program_has_tidied_up(start, observer, to_guard):
    program, guard = start()
    assert os.getpgid(guard) != os.getpgid(program.pid)
    # what the terminal does at Ctrl-C; then also somebody who means well
    os.killpg(program.pid, signal.SIGINT)
    assert program.stdout.readline() == "tidying up\n"
    if to_guard:
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            os.kill(guard, getattr(signal, name))
    assert is_alive(guard)
    assert observer.query("OUTP?") == "1"
    program.kill()
    assert until(lambda: observer.query("OUTP?") == "0") < WITHIN_S


def test_left_undismissed_it_acts_and_is_waited_for(bench, observer):
    observer.write("OUTP ON")
    with Guard(bench.addresses["analyzer"], COMMANDS) as guard:
        assert guard.is_watching
        assert observer.query("OUTP?") == "1"
    assert observer.query("OUTP?") == "0"
    assert not guard.is_watching


def test_dismissed_twice_and_left(bench, observer):
    observer.write("OUTP ON")
    with Guard(bench.addresses["analyzer"], COMMANDS) as guard:
        guard.dismiss()
        guard.dismiss()
    assert observer.query("OUTP?") == "1"


def test_over_a_serial_port(bench, observer):
    observer.write("OUTP ON")
    with serial_bridge(bench.addresses["analyzer"]) as resource:
        with Guard(resource, COMMANDS, WireSettings(baud_rate=115200)):
            assert observer.query("OUTP?") == "1"
        assert observer.query("OUTP?") == "0"


def test_an_instrument_out_of_reach_is_told(capfd):
    with ScriptedPeer([b""]) as peer:
        resource = peer.resource
        guard = Guard(resource, COMMANDS, persistence_s=0.3)
    guard.close()
    told = capfd.readouterr().err
    assert "RF may be ON: the guard could not switch it off" in told
    assert resource in told


def test_a_guard_that_does_not_start_is_told(monkeypatch):
    monkeypatch.setattr(sys, "executable", "/bin/false")
    with pytest.raises(InstrumentError, match="did not start"):
        Guard("TCPIP0::192.0.2.1::5025::SOCKET", COMMANDS)


def test_the_instrument_hears_the_commands_in_their_order():
    with ScriptedPeer([b""]) as peer, Guard(peer.resource, ("ABORt", "OUTPut:STATe OFF")):
        assert peer.connections == 0
    assert peer.got == [b"ABORt", b"OUTPut:STATe OFF"]


def test_a_program_that_ended_before_its_guard_was_ready_is_no_trouble():
    """Nothing was switched on yet, so nothing is sent, and nothing is said."""
    reader, writer = os.pipe()
    os.close(reader)
    task = {
        "resource": "TCPIP0::127.0.0.1::9::SOCKET", "commands": [], "visa_library": "@py",
        "wire": asdict(DEFAULT_WIRE), "persistence_s": 0.0,
    }  # fmt: skip
    guard = subprocess.run(
        [sys.executable, "-m", "drivers.link.guard"],
        input=json.dumps(task).encode() + b"\n", stdout=writer, stderr=subprocess.PIPE,
        timeout=20, check=False,
    )  # fmt: skip
    os.close(writer)
    assert guard.returncode == 0
    assert guard.stderr == b""
