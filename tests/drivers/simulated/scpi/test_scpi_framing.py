"""Messages are cut out of the byte stream exactly, whatever the pieces they arrive in."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.scpi.framing import MessageReader


def block(data: bytes) -> bytes:
    return b"#%d%d" % (len(str(len(data))), len(data)) + data


def cut(reader: MessageReader, pieces: list[bytes]) -> list[bytes]:
    messages = []
    for piece in pieces:
        reader.feed(piece)
        while (message := reader.next_message()) is not None:
            messages.append(message)
    return messages


plain = st.sampled_from([b"*IDN?", b"FREQ:STAR 1 GHZ;STOP?", b"", b"DISP:TITL 'it''s #15'", b"A'"])
stored = st.builds(lambda data: b"MEM:STOR " + block(data), st.binary(max_size=40))
messages = st.lists(plain | stored, max_size=6)


@given(messages=messages, cuts=st.lists(st.integers(0, 300)))
def test_any_chunking_gives_the_same_messages(messages: list[bytes], cuts: list[int]) -> None:
    # IEEE 488.2 7.5 (terminator) and 7.7.6 (a definite block holds any byte), from memory
    stream = b"".join(message + b"\n" for message in messages)
    edges = [0, *sorted(c for c in cuts if c < len(stream)), len(stream)]
    pieces = [stream[a:b] for a, b in itertools.pairwise(edges)]
    assert cut(MessageReader(), pieces) == messages


@given(st.lists(st.binary(max_size=30)))
def test_nothing_is_lost_or_invented(pieces: list[bytes]) -> None:
    reader = MessageReader()
    found = cut(reader, pieces)
    rest = reader.rest()
    assert b"\n".join([*found, rest]) == b"".join(pieces)


@pytest.mark.parametrize(
    ("stream", "expected"),
    [
        (b"A 'open\nB\n", [b"A 'open", b"B"]),  # new line ends a string: a raw socket has no END
        (b"A #0x\ny\n", [b"A #0x", b"y"]),  # ... and an indefinite block (7.7.6.2, from memory)
        (b"A #12\n;\n", [b"A #12\n;"]),
        (b"A #HFF\n", [b"A #HFF"]),
        (b"A #3x12\nB\n", [b"A #3x12", b"B"]),
        (b"A#15\nB\n", [b"A#15", b"B"]),  # not where data begins: no block
        (b"A 1,#11\n\n", [b"A 1,#11\n"]),
    ],
)
def test_what_ends_a_message(stream: bytes, expected: list[bytes]) -> None:
    assert cut(MessageReader(), [stream]) == expected
    assert cut(MessageReader(), [bytes([byte]) for byte in stream]) == expected


@pytest.mark.parametrize("size", [1, 7, 1000])
def test_a_message_beyond_the_limit_is_discarded_to_its_new_line(size: int) -> None:
    reader = MessageReader(limit=10)
    stream = b"x" * 50 + b"\n" + b"A #540000zz\n" + b"12345678901\n" + b"1234567890\n*IDN?\n"
    pieces = [stream[i : i + size] for i in range(0, len(stream), size)]
    assert cut(reader, pieces) == [b"1234567890", b"*IDN?"]
    assert reader.overruns == 3
    assert len(reader) == 0
