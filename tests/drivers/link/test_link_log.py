"""The traffic log: what a person reads of a conversation."""

import io
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import InputError, SilentError
from drivers.link.link import Link
from drivers.link.traffic_log import TrafficLog, abbreviated, open_traffic_log
from tests.drivers.scripted_peer import Drip, ScriptedPeer


def test_the_traffic_log_is_a_line_a_message():
    stream = io.StringIO()
    with ScriptedPeer([b"#41608" + b"\n" * 1608 + b"\n"], [b"1.5\n"], [Drip(b"", 0.0)]) as peer:
        link = Link(peer.resource, timeout_s=0.15, log=TrafficLog(stream))
        link.open()
        link.query_block("TRACe:DATA? S21")
        link.query("FREQ?")
        with pytest.raises(SilentError):
            link.query("WHO?")
        link.close()
    lines = stream.getvalue().splitlines()
    assert lines[0].startswith("# date and time (UTC)")
    shape = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d{6}    (\S+) +(->|<-|--)  (.*)")
    rows = [shape.fullmatch(line).groups() for line in lines[1:]]
    assert {row[0] for row in rows} == {peer.resource}
    assert [row[1:] for row in rows] == [
        ("--", "connected"),
        ("->", "*IDN?"),
        ("<-", "Saltmarsh Telemetry,test peer,0,0"),
        ("->", "TRACe:DATA? S21"),
        ("<-", "#41608... 1608 bytes"),
        ("->", "FREQ?"),
        ("<-", "1.5"),
        ("->", "WHO?"),
        ("--", "sent 'WHO?', no complete answer within 0.15 s: nothing came back"),
        ("--", "closed"),
    ]


@given(st.binary(max_size=400))
def test_a_logged_message_is_one_short_printable_line(message):
    shown = abbreviated(message)
    assert shown.isascii()
    assert shown.isprintable()
    assert len(shown) < 200


def test_a_log_file_is_continued(tmp_path):
    path = tmp_path / "traffic.log"
    for text in (b"first\n", b"second\n"):
        log = open_traffic_log(path)
        log.sent("ASRL1::INSTR", text)
        log.close()
    text = path.read_text("utf-8")
    assert "->  first\n" in text
    assert "->  second\n" in text
    with pytest.raises(InputError, match="traffic log cannot be written"):
        open_traffic_log(tmp_path / "none" / "traffic.log")
