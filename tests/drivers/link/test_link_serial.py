"""The link over a serial port (a pseudo-terminal) to the simulated bench."""

import os
import pty
import select
import threading
import time
import tty
from contextlib import ExitStack

import numpy as np
import pytest
import pyvisa

from drivers.errors import HalfAnswerError, LinkError, SilentError
from drivers.link.link import Link, WireSettings
from drivers.simulated.launch import SimulatedBenchProcess
from harness.station.starter_files import write_starter
from tests.drivers.scripted_peer import Close, Drip, ScriptedPeer
from tests.drivers.serial_bridge import serial_bridge

POINTS = 201
WIRE = WireSettings(baud_rate=115200)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    write_starter(folder)
    with SimulatedBenchProcess(folder / "simulated-bench.toml") as process:
        yield process


def test_a_sweep_over_the_serial_port_is_that_over_tcp(bench):
    with serial_bridge(bench.addresses["analyzer"]) as resource:
        link = Link(resource, timeout_s=5.0, wire=WIRE)
        other = Link(bench.addresses["analyzer"])
        assert link.open() == other.open()
        link.write(f"*RST;*CLS;:FORM REAL,64;:SWE:POIN {POINTS};:FREQ:STAR 2.4 GHZ;STOP 2.5 GHZ")
        assert link.query_number("SWE:POIN?") == POINTS
        link.write("OUTP ON")
        assert link.query("INIT;*OPC?") == "1"
        block = link.query_block("TRAC? S21")
        assert b"\n" in block  # the termination character is among the payload
        assert len(block) == 16 * POINTS
        assert block == other.query_block("TRAC? S21")
        link.write("FORM ASC")
        text = link.query("TRAC? S21")
        assert np.array(text.split(","), float) == pytest.approx(np.frombuffer(block, ">f8"))
        assert link.query("SYST:ERR?") == '0,"No error"'
        link.write("OUTP OFF")
        assert link.query("OUTP?") == "0"
        assert other.query("OUTP?") == "0"
        assert not link.clear()
        for each in (link, other):
            each.close()


def test_silence_and_half_an_answer_end_in_time():
    scripts = ([b""], [b"12"], [Drip(b"1" * 20, 0.05)], [b"#210abc"])
    with ScriptedPeer(*scripts) as peer, serial_bridge(peer.resource) as resource:
        for ask, error, says in (
            ("query", SilentError, "nothing came back"),
            ("query", HalfAnswerError, "2 bytes came"),
            ("query", HalfAnswerError, "no complete answer within 0.2 s"),
            ("query_block", HalfAnswerError, "10 bytes was promised, 3 of them came"),
        ):
            link = Link(resource, timeout_s=2.0, wire=WIRE)
            until_opened(link)
            link.timeout_s = 0.2
            begin = time.monotonic()
            with pytest.raises(error, match=says):
                getattr(link, ask)("N?")
            assert time.monotonic() - begin < 0.6
            assert not link.in_step
            link.close()


def until_opened(link):
    """Open once an instrument that still drips has finished."""
    for _ in range(20):
        try:
            link.open()
        except LinkError:
            continue
        if link.identity == "Saltmarsh Telemetry,test peer,0,0":
            return
    raise AssertionError("it never came to rest")


def test_a_late_answer_is_not_that_to_the_next_query():
    scripts = ([b"late\n"], [b"right\n"])
    with ScriptedPeer(*scripts) as peer, serial_bridge(peer.resource) as resource:
        link = Link(resource, timeout_s=2.0, wire=WIRE)
        link.open()
        link.write("TWICE?")  # whose answer nobody reads
        while not link._session.bytes_in_buffer:
            os.sched_yield()
        with pytest.raises(LinkError, match=r"'N\?' was not sent: .* 'late"):
            link.query("N?")
        link.reopen()
        assert link.query("N?") == "right"
        link.close()


def test_an_unplugged_line_is_silent():
    with ScriptedPeer([Close]) as peer, serial_bridge(peer.resource) as resource:
        link = Link(resource, timeout_s=0.2, wire=WIRE)
        link.open()
        with pytest.raises(SilentError):
            link.query("N?")
        link.close()


@pytest.mark.parametrize("is_serial", [False, True])
def test_whoever_closes_the_shared_resource_manager_does_no_lasting_harm(is_serial):
    """PyVISA has one for all in a process, and closing it ends the sessions of everybody."""
    script = [b"7\n"]
    with ScriptedPeer(script) as peer, ExitStack() as stack:
        resource = peer.resource
        if is_serial:
            resource = stack.enter_context(serial_bridge(resource))
        link = Link(resource, timeout_s=2.0, wire=WIRE if is_serial else WireSettings())
        link.open()
        pyvisa.ResourceManager("@py").close()
        with pytest.raises(LinkError, match="the connection failed"):
            link.query("N?")
        link.reopen()
        assert link.query("N?") == "7"
        link.close()
        link.open()
        pyvisa.ResourceManager("@py").close()
        link.close()


def test_a_port_that_is_not_there():
    with pytest.raises(LinkError, match="nothing was sent, the connection failed") as raised:
        Link("ASRL/dev/no-such-port::INSTR").open()
    assert "no-such-port" in str(raised.value)


@pytest.mark.parametrize(("baud_rate", "allowed"), [(None, False), (300, True), (9600, False)])
def test_the_time_that_a_slow_line_needs_is_not_counted(baud_rate, allowed):
    """300 bit/s are 30 bytes a second: 20 bytes take two thirds of a second on such a line."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    stop_here, stop_there = os.pipe()

    def instrument():
        for answer in (b"peer\n", b"12345678901234567890"):
            asked = b""
            while not asked.endswith(b"\n"):
                if stop_here in select.select([master, stop_here], [], [])[0]:
                    return
                asked = os.read(master, 100)
            for byte in answer:
                os.write(master, bytes([byte]))
                time.sleep(1.0 / 30.0 if len(answer) > 10 else 0.0)
        os.write(master, b"\n")

    thread = threading.Thread(target=instrument)
    thread.start()
    try:
        wire = WireSettings(baud_rate=baud_rate)
        link = Link(f"ASRL{os.ttyname(slave)}::INSTR", timeout_s=5.0, wire=wire)
        link.open()
        if allowed:
            assert link.query("N?", timeout_s=0.3) == "12345678901234567890"
        else:
            with pytest.raises(HalfAnswerError):
                link.query("N?", timeout_s=0.3)
        link.close()
    finally:
        os.close(stop_there)
        thread.join()
        for end in (master, slave, stop_here):
            os.close(end)
