"""Several questions in one message: blocks between semicolons, then text, in whatever pieces."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.dialects.dialect import load_dialect
from drivers.errors import AnswerError, HalfAnswerError, PeerClosedError
from drivers.instruments.questions import one_message, read_together, takes_traces_together
from drivers.link.link import Link
from drivers.link.wire import AnswerReader, Deadline, WireSettings
from tests.drivers.scripted_peer import Close, Drip, ScriptedPeer

DIALECT: Any = load_dialect("scpi-99-network-analyzer")
BOTH = ("S21", "S11")


def block(payload):
    """IEEE 488.2-1992, 8.7.9: `#`, how many digits, so many digits, so many bytes."""
    return b"#%d%d%s" % (len(str(len(payload))), len(payload), payload)


def trace(*values):
    return block(np.array(values, ">f8").tobytes())


class Pieces:
    """A wire that hands an answer over in pieces of a given size, or as one message."""

    def __init__(self, data, size, *, has_message_ends=False):
        self.data, self.size, self.has_message_ends = data, size, has_message_ends
        self.reads_ahead = not has_message_ends

    def receive_into(self, space, timeout_s, *, to_line_end):
        piece = self.data[: min(self.size, len(space))]
        self.data = self.data[len(piece) :]
        space[: len(piece)] = piece
        return len(piece), self.has_message_ends and not self.data

    def waiting(self):
        return b""


@given(
    payloads=st.lists(st.binary(max_size=40), min_size=1, max_size=4),
    text=st.sampled_from([b"", b";0", b';1;0,"No error; none"']),
    size=st.integers(1, 60),
    has_message_ends=st.booleans(),
    end=st.sampled_from([b"\n", b"\r\n"]),
)
def test_blocks_and_text_come_through_in_any_pieces(payloads, text, size, has_message_ends, end):
    """Also where payloads hold line ends, semicolons and number signs."""
    data = b";".join(map(block, payloads)) + text + end
    wire = Pieces(data, size, has_message_ends=has_message_ends)
    reader = AnswerReader(wire, WireSettings())
    assert reader.begin() == b""
    got, rest = reader.blocks(len(payloads), Deadline(5.0))
    assert got == payloads
    assert rest.strip() == text[1:].strip()


def read(*script, questions=("OUTPut?", "SYSTem:ERRor?")):
    with ScriptedPeer(script) as peer:
        link = Link(peer.resource, timeout_s=0.2)
        link.open()
        try:
            return read_together(link, DIALECT, BOTH, 2, questions), peer.got
        finally:
            link.close()


def test_traces_and_what_follows_them_are_asked_for_in_one_message():
    answer = trace(1, 2, 3, 4) + b";" + trace(5, 6, 9.91e37, 8) + b';1;0,"No error; none"\n'
    (readings, answers), got = read(answer)
    assert readings[0].tolist() == [1 + 2j, 3 + 4j]
    assert readings[1, 0] == 5 + 6j
    # SCPI-99 volume 1, 7.2.1.5: the number that stands for none
    assert np.isnan(readings[1, 1].real)
    assert answers == ["1", '0,"No error; none"']
    assert got == [b":TRACe:DATA? S21;:TRACe:DATA? S11;:OUTPut?;:SYSTem:ERRor?"]


def test_nothing_need_follow_the_traces():
    (readings, answers), _ = read(
        trace(1, 2, 3, 4) + b";" + trace(1, 2, 3, 4) + b"\n", questions=()
    )
    assert readings.shape == (2, 2)
    assert answers == []


GOOD = trace(1, 2, 3, 4)


@pytest.mark.parametrize(
    ("script", "error", "says"),
    [
        ([GOOD + b"\n"], AnswerError, "no semicolon"),
        ([GOOD + b"," + GOOD + b";1;0\n"], AnswerError, "no semicolon"),
        ([GOOD + b";" + GOOD + b"1;0\n"], AnswerError, "no line end after 32 bytes"),
        ([GOOD + b";" + GOOD + b";1\n"], AnswerError, "1 answers instead of 2"),
        ([GOOD + b";" + trace(1, 2, 3) + b";1;0\n"], AnswerError, "3 numbers; expected 4: 2 pairs"),
        ([GOOD + b";" + block(b"12345") + b";1;0\n"], AnswerError, "no whole count of numbers"),
        ([GOOD + b";nothing;1;0\n"], AnswerError, "block"),
        ([GOOD + b";" + GOOD[:-9]], HalfAnswerError, "S21"),
        ([GOOD + b";" + GOOD[:-9], Close], PeerClosedError, "S21"),
        ([Drip(GOOD + b";" + GOOD + b";1;0\n", 0.02)], HalfAnswerError, "S21"),
    ],
)
def test_what_is_wrong_with_an_answer_is_told(script, error, says):
    with pytest.raises(error, match=says):
        read(*script)


def test_questions_begin_at_the_root():
    assert one_message(["*ESR?", "OUTP?", ":SYST:ERR?"]) == "*ESR?;:OUTP?;:SYST:ERR?"


@pytest.mark.parametrize(
    ("changes", "together"),
    [
        ({}, True),
        ({"encoding": "ascii"}, False),
        ({"select": ("CALC:PAR:SEL {trace}",)}, False),
        ({"query": ("CALC:DATA SDATA", "CALC:DATA? {trace}")}, False),
    ],
)
def test_traces_in_text_or_selected_first_are_asked_for_alone(changes, together):
    data = DIALECT.data.model_copy(update=changes)
    assert takes_traces_together(DIALECT.model_copy(update={"data": data})) is together
    one_by_one = DIALECT.model_copy(update={"data": data, "joins_questions": False})
    assert not takes_traces_together(one_by_one)
