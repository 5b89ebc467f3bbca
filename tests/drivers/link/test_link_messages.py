"""The link over an interface that marks the ends of messages: HiSLIP, as for VXI-11, USB, GPIB."""

import importlib.util
import tomllib
from pathlib import Path

import pytest

from drivers.errors import AnswerError, LinkError, PeerClosedError, SilentError
from drivers.link.link import Link
from tests.drivers.hislip_peer import HislipPeer

HOUSE = Path(__file__).parents[3]
PAYLOAD = bytes(range(256)) * 100


def test_lines_and_blocks_end_where_the_interface_says():
    big = b"x" * 2_500_000
    answers = {
        b"FREQ?": [b"1.5E9\n"],
        b"BARE?": [b"2.5E9"],
        b"PIECES?": [b"1,", b"2,", b"3\n"],
        b"DATA?": [b"#525600", PAYLOAD[:7000], PAYLOAD[7000:] + b"\n"],
        b"BARE:DATA?": [b"#525600" + PAYLOAD],
        b"BIG?": [b"#72500000" + big[:1_000_000], big[1_000_000:] + b"\n"],
    }
    with HislipPeer(answers) as peer:
        link = Link(peer.resource, timeout_s=5.0)
        assert link.open() == "Saltmarsh Telemetry,test peer,0,0"
        link.write("FREQ 1 GHZ")
        assert link.query_number("FREQ?") == 1.5e9
        assert link.query_number("BARE?") == 2.5e9
        assert link.query("PIECES?") == "1,2,3"
        assert link.query_block("DATA?") == PAYLOAD
        assert link.query_block("BARE:DATA?") == PAYLOAD
        assert link.query_block("BIG?") == big
        assert link.query("PIECES?") == "1,2,3"
        assert link.in_step
        link.close()
    assert peer.got[:3] == [b"*IDN?", b"FREQ 1 GHZ", b"FREQ?"]


def test_a_block_that_ends_early_is_told():
    with HislipPeer({b"DATA?": [b"#210abc\n"]}) as peer:
        link = Link(peer.resource, timeout_s=1.0)
        link.open()
        with pytest.raises(AnswerError, match="an answer that ends 6 bytes early"):
            link.query_block("DATA?")
        link.close()


def test_a_device_clear_brings_the_link_into_step_again():
    with HislipPeer({b"HANG?": [], b"FREQ?": [b"1\n"]}) as peer:
        link = Link(peer.resource, timeout_s=0.2)
        link.open()
        with pytest.raises(SilentError, match=r"within 0\.2 s: nothing came back"):
            link.query("HANG?")
        with pytest.raises(LinkError, match="still outstanding"):
            link.query("FREQ?")
        assert link.clear()
        assert peer.clears == 1
        assert link.query("FREQ?") == "1"
        link.close()


def test_a_closed_connection_is_told():
    with HislipPeer({b"BYE?": None}) as peer:
        link = Link(peer.resource, timeout_s=5.0)
        link.open()
        with pytest.raises(PeerClosedError):
            link.query("BYE?")
        link.close()


@pytest.mark.parametrize(
    ("resource", "package", "extra"),
    [("USB0::0x0000::0x0001::SN0001::INSTR", "usb", "usb"), ("GPIB0::16::INSTR", "gpib", "gpib")],
)
def test_a_package_that_is_missing_is_named_with_how_to_get_it(resource, package, extra):
    """Those extras stand in pyproject.toml; they are not installed for the tests."""
    with pytest.raises(LinkError) as told:
        Link(resource, timeout_s=0.2).open()
    names_it = f"the extra [{extra}]" in told.value.what
    assert names_it == (importlib.util.find_spec(package) is None)
    if names_it:
        assert f"pip install '.[{extra}]'" in (told.value.hint or "")
        pyproject = tomllib.loads((HOUSE / "pyproject.toml").read_text("utf-8"))
        assert extra in pyproject["project"]["optional-dependencies"]
