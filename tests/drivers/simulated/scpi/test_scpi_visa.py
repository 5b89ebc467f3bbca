"""Conformance as a controller sees it: PyVISA over a loopback socket.

IEEE 488.2 and SCPI-99 clauses as in the other modules; from memory but for the check values of
scpi-parser.
"""

import struct
from collections.abc import Iterator

import numpy as np
import pytest
import pyvisa
from pyvisa.resources import MessageBasedResource


@pytest.fixture(scope="module")
def visa() -> Iterator[pyvisa.ResourceManager]:
    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


@pytest.fixture
def link(visa, served) -> Iterator[MessageBasedResource]:
    resource = visa.open_resource(
        f"TCPIP0::127.0.0.1::{served.ports['specimen']}::SOCKET",
        read_termination="\n",
        write_termination="\n",
        timeout=5000,
    )
    yield resource
    resource.close()


def errors(link: MessageBasedResource) -> list[int]:
    return [
        int(link.query("SYST:ERR?").split(",")[0]) for _ in range(int(link.query("SYST:ERR:COUN?")))
    ]


def test_identity(link) -> None:
    assert link.query("*IDN?") == "Tareline,Simulated specimen,SIM-0,0.1.0"
    assert errors(link) == []


def test_settings(link) -> None:
    link.write("FREQ:STAR 2.4 GHZ;STOP 2.4835GHZ")
    assert [float(part) for part in link.query("FREQ:STAR?;STOP?").split(";")] == [2.4e9, 2.4835e9]
    assert float(link.query("SENSe:FREQuency:STARt? MAXimum")) == 9e9
    link.write("FREQ:STAR 1 MHZ;FREQ:STOP 1")
    assert errors(link) == [-113]
    link.write("FREQ:STAR 1 KHZ")
    assert link.query("SYST:ERR?").startswith('-222,"Data out of range')
    assert link.query("SYST:ERR?") == '0,"No error"'


@pytest.mark.parametrize("bits", [32, 64])
@pytest.mark.parametrize("is_swapped", [False, True])
def test_binary_trace(link, specimen, bits: int, is_swapped: bool) -> None:
    specimen.trace = np.linspace(-1, 1, 801).astype(f"f{bits // 8}") * (1 + 2j)
    link.write(f"FORM REAL,{bits};:FORM:BORD {'SWAP' if is_swapped else 'NORM'}")
    values = link.query_binary_values(
        "TRAC? S21",
        datatype="d" if bits == 64 else "f",
        is_big_endian=not is_swapped,
        container=np.array,
        expect_termination=True,
    )
    assert values.tolist() == specimen.trace.astype(complex).view(float).tolist()
    assert link.query("*OPC?") == "1"


def test_ascii_trace(link, specimen) -> None:
    specimen.trace = np.random.default_rng(488).normal(size=401)
    values = link.query_ascii_values("TRAC? S11", container=np.array)
    assert values.tolist() == specimen.trace.tolist()


def test_block_with_new_lines(link) -> None:
    data = b"\n;\"'#15(\n" * 20
    link.write_binary_values("MEM:STOR ", data, datatype="B")
    assert bytes(link.query_binary_values("MEM:STOR?", datatype="B")) == data
    assert errors(link) == []


def test_synchronization(link, specimen) -> None:
    specimen.sweep_s = 0.02
    assert link.query("INIT;*OPC?") == "1"
    assert specimen.finished == 1
    link.write("*CLS;*ESE 1;*SRE 32;:INIT;*OPC")
    assert link.query("*WAI;*STB?") == "96"  # ESB and the master summary
    assert link.query("*ESR?") == "1"


def test_a_second_controller_aborts_the_wait_of_the_first(link, visa, served, specimen) -> None:
    specimen.sweep_s = 3600.0
    other = visa.open_resource(link.resource_name, read_termination="\n", write_termination="\n")
    link.write("INIT;*OPC?")
    while other.query("STAT:OPER:COND?") != "8":
        pass
    assert other.query("*IDN?").startswith("Tareline")
    other.write("ABOR")
    assert link.read() == "1"
    assert specimen.finished == 0
    other.close()


def test_a_query_error_shows_in_the_event_status(link) -> None:
    assert link.query("*ESR?;*IDN?;*ESR?") == "128;Tareline,Simulated specimen,SIM-0,0.1.0"
    assert link.query("*ESR?") == "4"  # QYE: -440
    assert errors(link) == [-440]


def test_published_doubles_on_the_wire(link, specimen) -> None:
    # scpi-parser: NORMAL order of these two doubles
    specimen.trace = np.array([76543217654321, 1234567891234567], dtype=float)
    link.write("FORM REAL,64")
    link.write("TRAC? S11")
    wire = link.read_bytes(21)
    assert wire == b"#216" + struct.pack(">2d", *specimen.trace) + b"\n"
    assert wire[4:20].hex() == "42d16766d3168c4043118b54f26ebc1c"
