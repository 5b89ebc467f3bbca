"""Each kind of fault, with its defaults, is noticed by a client that knows nothing of faults."""

import socket

import numpy as np
import pytest

from drivers.link.link import Link
from drivers.simulated.faults.fault_kinds import KINDS
from drivers.simulated.launch import SimulatedBenchProcess
from harness.station.starter_files import write_starter

TIMEOUT_S = 0.2
POINTS = 11
SWEEP_ONCE = (
    f"*RST;:FORM REAL,64;:SWE:POIN {POINTS};:FREQ:STAR 2.4 GHZ;STOP 2.5 GHZ;:OUTP ON;:INIT;*OPC?"
)

STEPS = (
    SWEEP_ONCE, "TRAC? S21", "INIT;*OPC?", "TRAC? S21",
    "SOUR:POW -20;:SENS:SWE:POIN 21;POIN?", "INIT;*OPC?",
    "SOUR:POW?;:OUTP?", "SYST:ERR?", "*IDN?", "*IDN?",
)  # fmt: skip


def conversation(address: str, timeout_s: float) -> list[str]:
    """What a client without any library gets, up to where something fails."""
    heard: list[str] = []
    traces: list[np.ndarray | None] = []
    port = int(address.split("::")[2])
    with socket.create_connection(("127.0.0.1", port), timeout_s) as client:
        for text in STEPS:
            try:
                client.sendall(text.encode() + b"\n")
                pieces = [client.recv(65536)]
                while pieces[-1] and not pieces[-1].endswith(b"\n"):
                    pieces.append(client.recv(65536))
            except OSError as error:
                return [*heard, type(error).__name__]
            traces.append(numbers(b"".join(pieces)))
            heard.append(f"{without_noise(b''.join(pieces), traces)} in {len(pieces)}")
    return heard


def numbers(answer: bytes) -> np.ndarray | None:
    """The numbers of a trace; None of any other answer."""
    if answer[:1] != b"#" or len(answer) % 8 != 6:
        return None
    return np.frombuffer(answer[5:-1], ">f8")


def without_noise(answer: bytes, traces: list[np.ndarray | None]) -> str:
    """An answer; of a trace how long it states to be, how long it is, its level as far as it can
    be one, and how many of its numbers are those of an earlier one."""
    trace = traces[-1]
    if trace is None:
        return repr(answer)
    with np.errstate(all="ignore"):
        level = round(np.log2(np.median(np.abs(trace[:20])))) if np.all(np.abs(trace) < 2) else "no"
    earlier = [each for each in traces[:-1] if each is not None and len(each) == len(trace)]
    old = [int(np.count_nonzero(each == trace)) for each in earlier]
    return f"{answer[:5]!r} {len(answer)} {level} {old}"


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    write_starter(folder)
    with SimulatedBenchProcess(folder / "simulated-bench.toml") as process:
        yield process


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_noticed_on_the_wire(bench, kind: str) -> None:
    hand, link = (Link(bench.addresses[name]) for name in ("hand", "analyzer"))
    hand.open()
    assert hand.query("FAULt:CLEar;:CONN:THR;*OPC?") == "1"
    link.open()
    assert link.query("ABOR;*RST;*CLS;*OPC?") == "1"
    link.close()
    undisturbed = conversation(bench.addresses["analyzer"], 20.0)
    assert len(undisturbed) == len(STEPS)
    assert undisturbed[1].startswith(f"b'#3176' {5 + 16 * POINTS + 1} -")
    assert undisturbed[3].endswith("[0] in 1")
    hand.write(f'FAULt:ARM "analyzer","{kind}","nth=3"')
    assert hand.query("SYST:ERR?") == '0,"No error"'
    assert conversation(bench.addresses["analyzer"], TIMEOUT_S) != undisturbed
    assert f" {kind}: " in hand.query("FAULt:LOG?")
    hand.close()
