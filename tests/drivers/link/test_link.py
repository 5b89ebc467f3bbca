"""The link over TCP: whole answers however they come, and each way of failing told apart.

Blocks are those of IEEE 488.2-1992, 8.7.9; numbers those of 8.7.2 to 8.7.4.
"""

import re
import select
import socket
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.errors import (
    AnswerError,
    HalfAnswerError,
    InputError,
    LinkError,
    PeerClosedError,
    RefusedConnectionError,
    SilentError,
)
from drivers.link.link import Link, WireSettings
from tests.drivers.scripted_peer import Close, Drip, Reset, ScriptedPeer

TIMEOUT_S = 0.15
SLACK_S = 0.25
"""What a busy machine may add."""
STAYS = Drip(b"", 0.0)


def opened(peer, **options):
    link = Link(peer.resource, **{"timeout_s": TIMEOUT_S, **options})
    link.open()
    return link


def block(payload: bytes) -> bytes:
    count = b"%d" % len(payload)
    return b"#%d%s%s" % (len(count), count, payload)


# What comes whole.


@settings(max_examples=40)
@given(
    payload=st.binary(max_size=300) | st.sampled_from([b"\n", b"\r\n#15\n\n", bytes(range(256))]),
    text=st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=200),
    size=st.integers(1, 400),
    line_end=st.sampled_from([b"\n", b"\r\n"]),
)
def test_answers_arrive_whole_in_whatever_pieces_they_come(payload, text, size, line_end):
    answers = [block(payload) + line_end, text.encode() + line_end, block(payload) + line_end]
    with ScriptedPeer(*([Drip(answer, 0.0, size)] for answer in answers)) as peer:
        link = opened(peer, timeout_s=5.0)
        assert link.query_block("DATA?") == payload
        assert link.query("TEXT?") == text
        assert link.query_block("DATA?") == payload
        assert link.in_step
        link.close()


@pytest.mark.parametrize("size", [65535, 65536, 65537, 1_000_000])
def test_long_answers(size):
    payload = bytes(range(256)) * (size // 256) + b"\n" * (size % 256)
    text = b"1," * (size // 2)
    with ScriptedPeer([block(payload) + b"\n"], [text + b"\n"], [b"7\n"]) as peer:
        link = opened(peer, timeout_s=5.0)
        assert link.query_block("DATA?") == payload
        assert link.query("TEXT?") == text.decode()
        assert link.query_number("N?") == 7.0
        link.close()


@pytest.mark.parametrize(
    ("termination", "line_end"), [("\n", b"\r\n"), ("\r\n", b"\r\n"), ("\r", b"\r"), (";", b";")]
)
def test_terminations(termination, line_end):
    with ScriptedPeer([b"+1.5E+09" + line_end], [block(b"a;\r\nb") + line_end],
                      line_end=termination.encode()) as peer:  # fmt: skip
        link = opened(peer, wire=WireSettings(termination=termination))
        assert link.query_number("FREQ?") == 1.5e9
        assert link.query_block("DATA?") == b"a;\r\nb"
        assert link.query_block("DATA?") == b"a;\r\nb"
        link.close()


def test_an_empty_line_is_an_empty_answer_and_no_number():
    with ScriptedPeer([b"\n"], [b"\n"], [b"ok\n"]) as peer:
        link = opened(peer)
        assert link.query("NAME?") == ""
        with pytest.raises(AnswerError, match=r"sent 'N\?', expected a number, received ''"):
            link.query_number("N?")
        assert link.query("NAME?") == "ok"
        link.close()


def test_other_characters_than_ascii_are_taken_where_the_encoding_has_them():
    with ScriptedPeer([b"50 \xb5V\n"]) as peer:
        plain = opened(peer)
        with pytest.raises(AnswerError, match=r"expected plain text, received b'50 \\xb5V"):
            plain.query("UNIT?")
        assert not plain.in_step
        plain.close()
        wide = opened(peer, wire=WireSettings(encoding="latin-1"))
        assert wide.query("UNIT?") == "50 µV"
        wide.close()
        with pytest.raises(InputError, match="'UNIT µV' cannot be sent as ascii"):
            reopened(plain).write("UNIT µV")
        assert plain.in_step
        plain.close()


def reopened(link):
    link.reopen()
    return link


# What does not.

FAILURES = {
    "silence": ([STAYS], SilentError, "no complete answer within 0.15 s: nothing came back"),
    "closed before an answer": ([Close], PeerClosedError, "closed it with no answer"),
    "reset before an answer": ([Reset], PeerClosedError, "closed it with no answer"),
    "closed inside a line": ([b"12", Close], PeerClosedError, "inside its answer: 2 bytes came"),
    "half a line": ([b"1.25E+0"], HalfAnswerError, "within 0.15 s: 7 bytes came ('1.25E+0')"),
    "a slow drip": ([Drip(b"1" * 100, 0.04)], HalfAnswerError, "no complete answer within 0.15 s"),
    "garbage": ([b"\xf0\xee\x91 12\n"], AnswerError, "expected plain text"),
    "a word": ([b"many\n"], AnswerError, "expected a number, received 'many'"),
}
BLOCK_FAILURES = {
    "silence": ([STAYS], SilentError, "nothing came back"),
    "closed before a block": ([Close], PeerClosedError, "closed it with no answer"),
    "closed inside a header": ([b"#4", Close], PeerClosedError, "inside its answer: 2 bytes came"),
    "closed inside a block": (
        [b"#210abc", Close], PeerClosedError, "a block of 10 bytes was promised, 3 of them came",
    ),
    "reset inside a block": ([b"#210", Reset], PeerClosedError, "the instrument closed it"),
    "half a header": ([b"#41"], HalfAnswerError, "3 bytes came ('#41')"),
    "half a block": (
        [b"#210abcd"], HalfAnswerError, "a block of 10 bytes was promised, 4 of them came",
    ),
    "no line end": ([b"#13abc"], HalfAnswerError, "3 bytes was promised and came, the line end"),
    "a slow drip": ([Drip(b"#3100" + b"x" * 100, 0.04)], HalfAnswerError, "no complete answer"),
    "a count too high": ([b"#15abc\n"], HalfAnswerError, "5 bytes was promised, 4 of them came"),
    "a count too low": ([b"#12abcd\n"], AnswerError, "no line end after 2 bytes"),
    "no block": ([b"1.5\n"], AnswerError, "expected a definite-length block (#...), received b'1."),
    "an indefinite block": ([b"#0abc\n"], AnswerError, "expected a definite-length block"),
    "no count": ([b"#2z9abc\n"], AnswerError, "expected a block length, received b'#2z9'"),
    "garbage": ([b"\x00\xff#13abc\n"], AnswerError, "expected a definite-length block"),
}  # fmt: skip


@pytest.mark.parametrize("name", FAILURES)
def test_failing_numbers(name):
    script, error, says = FAILURES[name]
    _fails(lambda link: link.query_number("FREQ?"), script, error, says)


@pytest.mark.parametrize("name", BLOCK_FAILURES)
def test_failing_blocks(name):
    script, error, says = BLOCK_FAILURES[name]
    _fails(lambda link: link.query_block("DATA?"), script, error, says)


def _fails(ask, script, error, says):
    with ScriptedPeer(script) as peer:
        link = opened(peer)
        begin = time.monotonic()
        with pytest.raises(error, match=re.escape(says)) as raised:
            ask(link)
        assert time.monotonic() - begin < TIMEOUT_S + SLACK_S
        assert type(raised.value) is error
        text = str(raised.value)
        # what was sent, to whom, and what to try
        assert "sent 'FREQ?'" in text or "sent 'DATA?'" in text
        assert f"{peer.resource} (Saltmarsh Telemetry,test peer,0,0)" in text
        assert "  try:   " in text
        if not (error is AnswerError and "expected a number" in text):
            assert not link.in_step
            with pytest.raises(LinkError, match=r"'NEXT\?' was not sent: an earlier answer"):
                link.query("NEXT?")
        link.close()
        assert peer.got in ([b"FREQ?"], [b"DATA?"])


def test_what_closed_is_told_at_once_not_at_the_end_of_the_time():
    with ScriptedPeer([b"half", Close]) as peer:
        link = opened(peer, timeout_s=60.0)
        begin = time.monotonic()
        with pytest.raises(PeerClosedError):
            link.query("N?")
        assert time.monotonic() - begin < 5.0
        link.close()


@pytest.mark.parametrize("hang_up", [Close, Reset])
def test_a_query_to_one_that_hung_up_is_not_sent(hang_up):
    with ScriptedPeer([b"1\n", hang_up]) as peer:
        link = opened(peer)
        assert link.query("N?") == "1"
        select.select([link._wire._socket], [], [], 5.0)  # until that has come through
        with pytest.raises(PeerClosedError, match=r"'N\?' was not sent.*had closed it.*") as raised:
            link.query("N?")
        assert "check its screen" in str(raised.value)
        assert peer.got == [b"N?"]
        link.close()


def test_nothing_listens():
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        resource = f"TCPIP0::127.0.0.1::{unused.getsockname()[1]}::SOCKET"
        with pytest.raises(RefusedConnectionError, match="Connection refused") as raised:
            Link(resource, timeout_s=30.0).open()
    assert resource in str(raised.value)
    assert "not identified yet" in str(raised.value)
    assert "check that the instrument is on" in str(raised.value)


def test_nobody_takes_the_connection():
    """A full queue of connections lets further ones wait, as an address without anybody does."""
    with socket.socket() as listener, socket.socket() as first, socket.socket() as second:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        for one in (first, second):
            one.setblocking(False)
            one.connect_ex(listener.getsockname())
        resource = f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
        begin = time.monotonic()
        with pytest.raises(SilentError, match=r"nobody answered at this address within 0\.3 s"):
            Link(resource, timeout_s=0.3).open()
        assert time.monotonic() - begin < 1.5


def test_one_that_takes_connections_but_says_nothing():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        link = Link(f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET", timeout_s=TIMEOUT_S)
        with pytest.raises(SilentError, match=r"sent '\*IDN\?'"):
            link.open()
        assert not link.in_step


def test_one_that_reads_nothing_does_not_hold_the_program():
    with ScriptedPeer([Drip(b"", 0.0), Drip(b"x", 60.0)]) as peer:
        link = opened(peer)
        link.write("first")
        begin = time.monotonic()
        with pytest.raises(SilentError, match="not taken by the instrument within"):
            link.write("LIST " + "1," * 5_000_000)
        assert time.monotonic() - begin < TIMEOUT_S + 1.0
        link.close()


def test_an_address_that_is_nobodys():
    # top-level domain that never exists: RFC 2606, 2
    with pytest.raises(LinkError, match=r"the name 'tide-gauge\.invalid' is not known here"):
        Link("TCPIP0::tide-gauge.invalid::5025::SOCKET", timeout_s=1.0).open()


def test_no_address_and_a_closed_link():
    with pytest.raises(InputError, match="'the one on the left' is no VISA address"):
        Link("the one on the left").open()
    with pytest.raises(LinkError, match=r"cannot send 'N\?': the link is closed"):
        Link("TCPIP0::192.0.2.1::5025::SOCKET").query("N?")


# In step.


@pytest.mark.parametrize("late", [b"2\n", b"\xff\xff", b"#15"])
def test_what_is_left_over_is_never_the_answer_to_the_next_query(late):
    with ScriptedPeer([b"1\n" + late], [b"3\n"]) as peer:
        link = opened(peer)
        assert link.query("A?") == "1"
        with pytest.raises(LinkError, match=r"'B\?' was not sent: an earlier answer .*outstanding"):
            link.query("B?")
        assert peer.got == [b"A?"]
        link.reopen()
        assert link.query("B?") == "3"
        link.close()


def test_blanks_left_over_are_no_answer():
    with ScriptedPeer([b"1\n\r\n\x00"], [b"2\n"]) as peer:
        link = opened(peer)
        assert link.query("A?") == "1"
        assert link.query("B?") == "2"
        link.close()


@settings(max_examples=15)
@given(st.lists(st.sampled_from(["whole", "silent", "half", "double"]), min_size=1, max_size=6))
def test_every_answer_is_that_to_its_own_question(kinds):
    """Whatever went wrong before: an answer names its question, or there is none."""

    def answer(number, kind):
        text = b"answer %d\n" % number
        return {"whole": text, "silent": b"", "half": text[:-3], "double": text + text}[kind]

    scripts = [[answer(number, kind)] for number, kind in enumerate(kinds)]
    with ScriptedPeer(*scripts) as peer:
        link = opened(peer, timeout_s=0.05)
        for _ in kinds:
            if not link.in_step:
                link.reopen()
            try:
                got = link.query("NEXT?")
            except LinkError:
                continue
            assert got == f"answer {len(peer.got) - 1}"
        link.close()


# Once more.


@pytest.mark.parametrize("first", [[STAYS], [Close], [Reset], [b"hal"], [b"hal", Close]])
def test_what_does_no_harm_is_asked_again_on_a_fresh_link(first):
    with ScriptedPeer(first, [b"5\n"]) as peer:
        link = opened(peer)
        assert link.query_number("N?", is_idempotent=True) == 5.0
        assert peer.got == [b"N?", b"N?"]
        assert peer.connections == 2
        link.close()


@pytest.mark.parametrize("first", [[STAYS], [Close], [b"hal"]])
def test_anything_else_is_not(first):
    with ScriptedPeer(first, [b"5\n"]) as peer:
        link = opened(peer)
        with pytest.raises(LinkError):
            link.query("TRIG;DATA?")
        assert peer.got == [b"TRIG;DATA?"]
        link.close()


def test_asked_again_once_only_and_not_after_garbage():
    with ScriptedPeer([STAYS]) as peer:
        link = opened(peer)
        with pytest.raises(SilentError):
            link.query_block("DATA?", is_idempotent=True, timeout_s=0.05)
        assert peer.got == [b"DATA?"] * 2
        link.close()
    with ScriptedPeer([b"\xff\n"]) as peer:
        link = opened(peer)
        with pytest.raises(AnswerError):
            link.query("N?", is_idempotent=True)
        assert peer.got == [b"N?"]
        link.close()


# Times.


def test_a_query_may_have_a_time_of_its_own():
    with ScriptedPeer([Drip(b"12345\n", 0.05)]) as peer:
        link = opened(peer)
        assert link.query("SLOW?", timeout_s=10.0) == "12345"
        link.close()


def test_delays_are_kept():
    wire = WireSettings(query_delay_s=0.06, write_delay_s=0.08)
    with ScriptedPeer([b""], [b""], [b"1\n"]) as peer:
        link = opened(peer, wire=wire)
        begin = time.monotonic()
        link.write("A")
        link.write("B")
        assert link.query("C?") == "1"
        assert time.monotonic() - begin > 2 * 0.08 + 0.06
        link.close()


def test_a_raw_socket_has_no_device_clear():
    with ScriptedPeer([b"1\n"]) as peer:
        link = opened(peer)
        assert not link.clear()
        assert link.query("N?") == "1"
        link.close()
