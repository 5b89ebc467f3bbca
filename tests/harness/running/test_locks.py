"""One process at a time drives an instrument or writes a run file, however processes end."""

import json
import os
import signal
import subprocess
import sys
import time

import pytest

from drivers.errors import BusyError, TarelineError
from drivers.link.guard import Guard
from drivers.link.link import canonical_resource
from drivers.stop_signals import StopSignals
from harness.running.connected import addresses_of, connect
from harness.running.locks import FOLDER_VARIABLE, lock_folder, lock_instruments, lock_run
from harness.station.items import read_workplace
from tests.drivers.scripted_peer import ScriptedPeer
from tests.harness.short_run import station_on

ADDRESS = "TCPIP0::192.0.2.10::5025::SOCKET"
OTHER = "GPIB0::16::INSTR"
HOLDING = """
import sys
from contextlib import ExitStack
from pathlib import Path
from harness.running.locks import lock_instruments, lock_run

with ExitStack() as stack:
    locks = stack.enter_context(lock_instruments(sys.argv[1:-1]))
    stack.enter_context(lock_run(Path(sys.argv[-1])))
    locks.tell_run(Path(sys.argv[-1]))
    print("locked", flush=True)
    sys.stdin.read()
"""
DRIVING = """
import sys
from drivers.link.guard import Guard
from harness.running.locks import lock_instruments

with lock_instruments(sys.argv[1:]) as locks:
    Guard(sys.argv[1], ("OUTPut OFF",), persistence_s=0.5, inherited=locks.guard_descriptors)
    print("locked", flush=True)
    sys.stdin.read()
"""


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    """A folder of locks that nobody else uses."""
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path / "locks"))
    return tmp_path / "locks"


@pytest.fixture
def holder():
    """Start a process that holds locks until it is told to end."""
    running = []

    def start(program, *arguments):
        process = subprocess.Popen(
            [sys.executable, "-c", program, *map(str, arguments)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        running.append(process)
        assert process.stdout.readline() == b"locked\n"
        return process

    yield start
    for process in running:
        process.kill()
        process.communicate()


@pytest.mark.parametrize("number", [None, signal.SIGKILL], ids=["end", "kill"])
def test_a_lock_ends_with_its_process_and_tells_who_has_it(holder, tmp_path, number):
    run = tmp_path / "a run.h5"
    process = holder(HOLDING, ADDRESS, run)
    with pytest.raises(BusyError, match=rf"driven by process {process.pid} \(.*a run.h5, since"):
        lock_instruments([ADDRESS]).__enter__()
    with pytest.raises(BusyError, match=f"the run goes on in process {process.pid}"):
        lock_run(run).__enter__()
    with pytest.raises(BusyError):
        lock_instruments([OTHER, ADDRESS]).__enter__()
    # another is not in the way, nor does the refusal keep hold of it
    with lock_instruments([OTHER]), lock_run(tmp_path / "another.h5"):
        pass
    if number is None:
        process.communicate(b"")
    else:
        process.send_signal(number)
        process.wait()
    with lock_instruments([ADDRESS]), lock_run(run):
        pass


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("TCPIP::192.0.2.10::5025::SOCKET", "tcpip0::192.0.2.10::5025::socket"),
        ("TCPIP0::bench.example", "TCPIP0::BENCH.example::inst0::INSTR"),
        ("GPIB::16", "GPIB0::16::INSTR"),
        ("usb::0x1::0x2::SN1::instr", "USB0::0x1::0x2::SN1::0::INSTR"),
    ],
)
def test_spellings_of_an_address_are_one_instrument(one, other):
    """VPP-4.3, 4.3.1.1, from memory: board 0 and INSTR where left out, either case."""
    assert canonical_resource(one) == canonical_resource(other)
    with lock_instruments([one]), pytest.raises(BusyError):
        lock_instruments([other]).__enter__()


def test_a_serial_port_by_another_name_is_the_same(tmp_path):
    (tmp_path / "port").touch()
    (tmp_path / "by-id").symlink_to(tmp_path / "port")
    one, other = (f"ASRL{tmp_path}/{name}::INSTR" for name in ("port", "by-id"))
    assert canonical_resource(one) == canonical_resource(other)


def test_a_run_file_that_is_replaced_stays_locked(tmp_path):
    run = tmp_path / "run.h5"
    run.write_bytes(b"old")
    (tmp_path / "link").symlink_to(tmp_path)
    with lock_run(run):
        (tmp_path / "new").write_bytes(b"new")
        os.replace(tmp_path / "new", run)
        with pytest.raises(BusyError):
            lock_run(tmp_path / "link" / "run.h5").__enter__()


def test_files_that_somebody_clears_away_do_not_let_two_in(folder):
    with lock_instruments([ADDRESS]):
        (kept,) = folder.glob("*.driver")
        assert json.loads(kept.read_text())["process"] == os.getpid()
    kept.unlink()
    with lock_instruments([ADDRESS]), pytest.raises(BusyError):
        lock_instruments([ADDRESS]).__enter__()


@pytest.mark.parametrize("written", [b"", b"{", b"[]", b'{"process": 1}', b"\xff" * 9000])
def test_what_cannot_be_read_of_a_holder_is_no_trouble(folder, written):
    with lock_instruments([ADDRESS]):
        (path,) = folder.glob("*.driver")
        path.write_bytes(written)
        with pytest.raises(BusyError, match="driven by another process"):
            lock_instruments([ADDRESS]).__enter__()


def test_what_a_holder_says_cannot_steer_the_terminal(folder):
    with lock_instruments([ADDRESS]):
        (path,) = folder.glob("*.driver")
        told = {**json.loads(path.read_text()), "command": "\x1b[2Jtareline\n" + "x" * 4000}
        path.write_text(json.dumps(told))
        with pytest.raises(BusyError) as refused:
            lock_instruments([ADDRESS]).__enter__()
    assert refused.value.what.isprintable()
    assert "(?[2Jtareline?xxx" in refused.value.what
    assert len(refused.value.what) < 400


def test_the_folder_is_for_every_user(folder):
    with lock_instruments([ADDRESS]):
        pass
    assert folder.stat().st_mode & 0o7777 == 0o1777
    assert all(path.stat().st_mode & 0o777 == 0o666 for path in folder.iterdir())


def test_a_folder_that_cannot_be_used_is_told(tmp_path, monkeypatch):
    (tmp_path / "file").touch()
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path / "file" / "locks"))
    with pytest.raises(TarelineError, match="cannot be locked") as told:
        lock_instruments([ADDRESS]).__enter__()
    assert FOLDER_VARIABLE in told.value.hint
    monkeypatch.delenv(FOLDER_VARIABLE)
    assert lock_folder().name == "tareline-locks"


def test_a_killed_run_keeps_its_instrument_until_the_guard_is_done(holder):
    """The guard cannot reach the instrument at first: its lock lasts as long as it tries."""
    with ScriptedPeer([b""]) as peer:
        resource = peer.resource
    process = holder(DRIVING, resource)
    process.kill()
    process.wait()
    begun = time.monotonic()
    with lock_instruments([resource]):
        assert time.monotonic() - begun > 0.3


def test_a_guard_that_never_ends_is_told(monkeypatch):
    monkeypatch.setattr("harness.running.locks.GUARD_PATIENCE_S", 0.2)
    with ScriptedPeer([b""]) as peer:
        with lock_instruments([peer.resource]) as locks:
            guard = Guard(peer.resource, (), inherited=locks.guard_descriptors)
        with pytest.raises(BusyError, match="the guard of a run that was killed"):
            lock_instruments([peer.resource]).__enter__()
        guard.dismiss()
        with lock_instruments([peer.resource]):
            pass


def test_a_station_is_connected_once(benches, tmp_path):
    bench = benches["vector"]
    station_on(bench, tmp_path, "vector")
    workplace = read_workplace(tmp_path / "station.toml", tmp_path / "items.toml")
    with StopSignals() as stop:
        for _ in range(2):
            with connect(workplace, stop) as connected:
                assert len(connected.locks.guard_descriptors) == 2  # the analyzer and the hand
                with (
                    pytest.raises(BusyError, match="driven by process"),
                    connect(workplace, stop),
                ):
                    pass
                # whoever was refused has not disturbed anything
                connected.source.rf_off()


def test_a_bench_that_is_started_for_a_station_is_its_own(workplace_folder):
    files = (workplace_folder / "station.toml", workplace_folder / "items.toml")
    assert addresses_of(read_workplace(*files).station) == []
