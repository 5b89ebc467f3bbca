"""Responses: exact round trips and the block bytes of published examples.

Block examples: test-suite of scpi-parser (definite length blocks, NORMal and SWAPped order).
"""

import math
import re
import struct

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from drivers.simulated.scpi.responses import DataFormat, Quoted, definite_block, format_response

fromhex = bytes.fromhex
ASCII = DataFormat()
FLOATS = np.array([0.7549173, 3.0196693], dtype=np.float32)
DOUBLES = np.array([76543217654321, 1234567891234567], dtype=np.float64)
finite = st.floats(allow_nan=False, allow_infinity=False)


def payload(block: bytes) -> bytes:
    """What a reader of IEEE 488.2 8.7.9 takes out of a definite block; nothing may be left."""
    assert block[:1] == b"#"
    digits = int(block[1:2])
    length = int(block[2 : 2 + digits])
    data = block[2 + digits :]
    assert len(data) == length
    return data


@pytest.mark.parametrize(
    ("values", "data_format", "expected"),
    [
        (FLOATS, DataFormat(32, False), b"#18?ABC@ABC"),
        (FLOATS, DataFormat(32, True), b"#18CBA?CBA@"),
        (DOUBLES, DataFormat(64), b"#216" + bytes.fromhex("42d16766d3168c4043118b54f26ebc1c")),
        (
            DOUBLES,
            DataFormat(64, True),
            b"#216" + bytes.fromhex("408c16d36667d1421cbc6ef2548b1143"),
        ),
    ],
)
def test_published_blocks(values: object, data_format: DataFormat, expected: bytes) -> None:
    assert format_response(values, data_format) == expected


def test_published_block_headers() -> None:
    assert definite_block(b"a") == b"#11a"
    assert definite_block(b"hello world") == b"#211hello world"


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (True, b"1"),
        (np.bool_(False), b"0"),
        (-5, b"-5"),
        (np.int64(7), b"7"),
        (0.0, b"0.0E+00"),
        (-0.1, b"-1.0E-01"),
        (np.float32(0.5), b"5.0E-01"),
        (2.4e9, b"2.4E+09"),
        (math.inf, b"9.9E+37"),  # SCPI-99 volume 1, 7.2.1.4
        (-math.inf, b"-9.9E+37"),
        (math.nan, b"9.91E+37"),  # 7.2.1.5
        (1 - 2j, b"1.0E+00,-2.0E+00"),
        ("NORM", b"NORM"),
        (Quoted('a "b"'), b'"a ""b"""'),
        (b"#11\n", b"#11\n"),
        ((1, "A", Quoted("x")), b'1,A,"x"'),
        (np.array([1, -2]), b"1,-2"),
        (np.array([True, False]), b"1,0"),
        (np.array([1 + 2j, -0.5j]), b"1.0E+00,2.0E+00,-0.0E+00,-5.0E-01"),
    ],
)
def test_forms(value: object, expected: bytes) -> None:
    assert format_response(value, ASCII) == expected


@pytest.mark.parametrize("value", [None, {}, np.array(["x"]), object()])
def test_no_form(value: object) -> None:
    with pytest.raises(TypeError, match="no response is defined"):
        format_response(value, ASCII)


@pytest.mark.parametrize("value", ["two\nlines", Quoted("two\nlines"), "caf\xe9"])
def test_text_that_would_break_a_response(value: object) -> None:
    with pytest.raises(ValueError, match=r"new line|ascii"):
        format_response(value, ASCII)


@example(2.0**-24)  # halfway between two decimal numbers of 16 digits
@example(0.1 + 0.2)
@given(finite)
def test_nr3_brings_a_number_back(value: float) -> None:
    text = format_response(value, ASCII).decode()
    # IEEE 488.2 8.7.4: digits, point, digits, E, sign, digits
    assert re.fullmatch(r"-?\d+\.\d+E[+-]\d+", text)
    assert struct.pack("d", float(text)) == struct.pack("d", value)


arrays = hnp.arrays(np.float64, st.integers(1, 20), elements=finite)
complex_numbers = st.complex_numbers(allow_nan=False, allow_infinity=False)
complexes = hnp.arrays(np.complex128, st.integers(1, 20), elements=complex_numbers)


@given(arrays | complexes)
def test_arrays_come_back_from_ascii(values: np.ndarray) -> None:
    numbers = np.array([float(part) for part in format_response(values, ASCII).split(b",")])
    assert numbers.tobytes() == values.view(np.float64).tobytes()


@given(arrays | complexes, st.booleans())
def test_arrays_come_back_from_real_64(values: np.ndarray, is_swapped: bool) -> None:
    data = payload(format_response(values, DataFormat(64, is_swapped)))
    numbers = np.frombuffer(data, "<f8" if is_swapped else ">f8").astype(np.float64)
    assert numbers.tobytes() == values.view(np.float64).tobytes()


@given(hnp.arrays(np.float32, st.integers(1, 20), elements=st.floats(width=32)), st.booleans())
def test_arrays_come_back_from_real_32(values: np.ndarray, is_swapped: bool) -> None:
    data = payload(format_response(values, DataFormat(32, is_swapped)))
    numbers = np.frombuffer(data, "<f4" if is_swapped else ">f4").astype(np.float32)
    np.testing.assert_array_equal(numbers, values)


def test_beyond_single_precision_is_infinite() -> None:
    data = payload(format_response(np.array([1e300]), DataFormat(32)))
    assert struct.unpack(">f", data) == (math.inf,)


def test_any_shape_is_sent_in_order() -> None:
    values = np.arange(6.0).reshape(2, 3)
    assert format_response(values.T, ASCII) == format_response(values.T.ravel(), ASCII)
