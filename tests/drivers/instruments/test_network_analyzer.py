"""The link and the network analyzer driver against the simulated bench, over TCP."""

import socket
import threading
from contextlib import suppress

import numpy as np
import pytest

from drivers.dialects.dialect import load_dialect, shipped_dialects
from drivers.errors import AnswerError, InputError, InstrumentError, LinkError, RefusedError
from drivers.instruments.hand import Hand
from drivers.instruments.network_analyzer import NetworkAnalyzer
from drivers.link.link import Link
from drivers.sweep import S_PARAMETERS, SweepSettings

SETTINGS = SweepSettings(2.4e9, 2.4835e9, 101, -10.0, 1000.0)
DIALECT = "scpi-99-network-analyzer"


@pytest.fixture
def process(start_bench):
    return start_bench()


@pytest.fixture
def analyzer(process):
    instrument = NetworkAnalyzer(
        Link(process.addresses["analyzer"]), load_dialect(DIALECT), maximum_power_dbm=0.0
    )
    instrument.open()
    yield instrument
    instrument.link.close()


@pytest.fixture
def hand(process):
    hand = Hand(Link(process.addresses["hand"]))
    hand.open()
    yield hand
    hand.close()


def second_link(process):
    """What another client sees of the same analyzer."""
    link = Link(process.addresses["analyzer"])
    link.open()
    return link


def test_a_sweep_is_what_was_asked_for(analyzer, hand):
    hand.connect_through()
    analyzer.configure(SETTINGS)
    analyzer.rf_on()
    sweep = analyzer.sweep()
    assert sweep.traces == S_PARAMETERS
    assert sweep.readings.shape == (4, 101)
    assert sweep.frequency_hz[[0, -1]] == pytest.approx([2.4e9, 2.4835e9])
    s21, s12 = sweep.readings[1], sweep.readings[2]
    # two 10 dB pads and the leads: a passive, reciprocal path
    assert np.all(np.abs(s21) < 0.1)
    assert np.abs(s21) == pytest.approx(np.abs(s12), rel=0.01)


def test_rf_is_off_after_opening_and_on_the_way_out(analyzer, process):
    other = second_link(process)
    assert other.query("OUTP?") == "0"
    analyzer.rf_on()
    assert other.query("OUTP?") == "1"
    analyzer.make_safe()
    assert other.query("OUTP?") == "0"
    other.close()


def test_power_above_the_ceiling_is_never_sent(analyzer, process):
    other = second_link(process)
    before = other.query("SOUR:POW?")
    with pytest.raises(InputError, match=r"above the station's maximum.*nothing was sent"):
        analyzer.configure(SweepSettings(1e9, 2e9, 11, 3.0, 1000.0))
    assert other.query("SOUR:POW?") == before
    other.close()


def test_what_the_instrument_refuses_is_reported_in_its_own_words(analyzer):
    with pytest.raises(RefusedError, match=r"-222.*Data out of range"):
        analyzer.configure(SweepSettings(1e9, 2e10, 11, -10.0, 1000.0))
    # and the queue was emptied, so that the next configuration is judged by itself
    analyzer.configure(SETTINGS)


def test_a_sweep_with_rf_off_is_noise(analyzer, hand):
    hand.connect_through()
    analyzer.configure(SETTINGS)
    assert np.all(np.abs(analyzer.sweep().readings) < 1e-3)


def test_out_of_step_link_is_made_safe_on_a_fresh_one(analyzer, process):
    analyzer.rf_on()
    analyzer.link._session.write("*IDN?")
    analyzer.link._answer_outstanding = True
    analyzer.make_safe()
    other = second_link(process)
    assert other.query("OUTP?") == "0"
    assert analyzer.link.query("SWE:POIN?").isdigit()
    other.close()


def test_losing_the_instrument_warns_that_rf_may_be_on(analyzer, process):
    analyzer.rf_on()
    process.close()
    with pytest.raises(InstrumentError, match="RF may be ON"):
        analyzer.make_safe()


def test_a_closed_port_is_told_at_opening():
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        port = unused.getsockname()[1]
    with pytest.raises(LinkError, match="check that the instrument is on"):
        Link(f"TCPIP0::127.0.0.1::{port}::SOCKET", timeout_s=1.0).open()


def test_a_wrong_address_is_told_at_opening():
    with pytest.raises(InputError, match="is no VISA address"):
        Link("the analyzer on the left").open()


@pytest.fixture
def answering():
    """A peer that answers every line with the same bytes."""
    listener = socket.create_server(("127.0.0.1", 0))
    answers = {"bytes": b""}

    def serve():
        with suppress(ConnectionError):
            connection, _ = listener.accept()
            with connection, connection.makefile("rb") as lines:
                for line in lines:
                    identity = b"Saltmarsh,test peer,0,0\n"
                    connection.sendall(identity if line == b"*IDN?\n" else answers["bytes"])

    thread = threading.Thread(target=serve)
    thread.start()
    link = Link(f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET", timeout_s=0.3)
    link.open()
    yield link, answers
    link.close()
    listener.close()
    thread.join()


@pytest.mark.parametrize(
    ("answer", "error", "says"),
    [
        (b"", LinkError, "no complete answer within 0.3 s"),
        (b"hello\n", AnswerError, "expected a definite-length block"),
        (b"#0\n", AnswerError, "expected a definite-length block"),
        (b"#2zz\n", AnswerError, "expected a block length"),
        (b"#216abc\n", LinkError, "no complete answer"),
    ],
)
def test_bad_blocks_say_what_was_sent_and_received(answering, answer, error, says):
    link, answers = answering
    answers["bytes"] = answer
    with pytest.raises(error, match=says) as raised:
        link.query_block("TRACe?")
    assert "TRACe?" in str(raised.value)
    assert "Saltmarsh" in str(raised.value)


@pytest.mark.parametrize("payload", [b"", b"\n", b"\n#15\n\n\r\n", bytes(range(256)) * 40])
def test_blocks_arrive_whole_whatever_bytes_they_hold(answering, payload):
    """IEEE 488.2-1992, 8.7.9: the count alone says where a definite-length block ends."""
    link, answers = answering
    count = str(len(payload)).encode()
    answers["bytes"] = b"#%d%s%s\n" % (len(count), count, payload)
    assert link.query_block("TRACe?") == payload
    assert link.in_step


def test_text_where_a_number_should_be(answering):
    link, answers = answering
    answers["bytes"] = b"many\n"
    with pytest.raises(AnswerError, match=r"expected a number, received 'many'"):
        link.query_number("SWE:POIN?")


def test_commands_go_out_at_once(process):
    """A small command after another is not held back for an acknowledgement (Nagle)."""
    link = second_link(process)
    interface = link._session.visalib.sessions[link._session.session].interface
    assert interface.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    link.close()


def test_shipped_dialects_are_valid_and_named_for_standards():
    assert DIALECT in shipped_dialects()
    for name in shipped_dialects():
        assert load_dialect(name).standard in name.upper()


def test_wrong_dialects_are_explained(tmp_path):
    with pytest.raises(InputError, match="neither shipped nor a file"):
        load_dialect("no-such-dialect")
    (tmp_path / "mine.toml").write_text(
        'role = "network analyzer"\n[rf]\nstat = "OUTP?"\n', "utf-8"
    )
    with pytest.raises(InputError) as raised:
        load_dialect("mine.toml", relative_to=tmp_path)
    assert "rf.stat: unknown key; did you mean 'state'?" in str(raised.value)
    assert "sweep: is missing" in str(raised.value)
