"""The traffic log's lines: one a message, printable, short, in order of time."""

import io

from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.scpi.responses import definite_block
from drivers.simulated.serving.traffic import LONGEST_LINE, RECEIVED, ServedTrafficLog, abbreviated


@given(st.binary(max_size=2000))
def test_any_message_is_one_short_printable_line(data: bytes) -> None:
    line = abbreviated(data)
    assert line.isascii()
    assert line.isprintable()
    assert len(line) <= LONGEST_LINE + len("... 2000 bytes")


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126, exclude_characters="#")))
def test_short_text_is_shown_as_it_is(text: str) -> None:
    if len(text) <= LONGEST_LINE:
        assert abbreviated(text.encode() + b"\n") == text


@given(st.binary(max_size=2000))
def test_blocks_give_way_to_their_length(data: bytes) -> None:
    """IEEE 488.2 8.7.9 (definite-length block)."""
    count = str(len(data))
    shown = f"#{len(count)}{count}... {len(data)} bytes"
    assert abbreviated(definite_block(data) + b"\n") == shown
    assert abbreviated(b"1;" + definite_block(data) + b"\n") == f"1;{shown}"


def test_lines_come_at_once_and_in_order() -> None:
    stream = io.StringIO()
    log = ServedTrafficLog(stream)
    log.message("analyzer", 1, RECEIVED, b"*IDN?")
    first = stream.getvalue().splitlines()[-1]
    log.message("spectrum_analyzer", 12, RECEIVED, b"*RST;*CLS")
    second = stream.getvalue().splitlines()[-1]
    assert first.split()[1:] == ["analyzer", "1", "->", "*IDN?"]
    assert second.split()[1:] == ["spectrum_analyzer", "12", "->", "*RST;*CLS"]
    assert float(first.split()[0]) <= float(second.split()[0])
    assert first.index("->") == second.index("->")
