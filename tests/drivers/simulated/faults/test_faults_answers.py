"""Spoiled answers as pure functions: what they change, and that they change nothing else.

Blocks are those of IEEE 488.2 8.7.9, not-a-number that of SCPI-99 volume 1, 7.2.1.5.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.faults import faulty_answers as answers
from drivers.simulated.scpi.responses import DataFormat, definite_block, format_response

FORMS = st.builds(DataFormat, st.sampled_from([0, 32, 64]), st.booleans())
TRACES = st.lists(
    st.floats(-1e3, 1e3, width=32, allow_subnormal=False), min_size=4, max_size=40
).map(np.array)
BLOCKS = st.binary(max_size=3000)
PREFIXES = st.sampled_from([b"", b"1;", b'0,"No error";'])


def read(answer: bytes, form: DataFormat):
    """Numbers as a client reads them, by the stated length."""
    if not form.real_bits:
        return np.array([float(part) for part in answer.split(b",")])
    digits = int(answer[1:2])
    length = int(answer[2 : 2 + digits])
    assert answer[2 + digits + length :] == b"\n"
    order = "<" if form.is_swapped else ">"
    return np.frombuffer(answer[2 + digits : -1], dtype=f"{order}f{form.real_bits // 8}")


@given(BLOCKS, PREFIXES)
def test_a_payload_is_found_behind_other_answers(data: bytes, before: bytes) -> None:
    answer = before + definite_block(data) + b"\n"
    where = answers.payload(answer)
    assert where is not None
    assert answer[where] == data


@pytest.mark.parametrize("answer", [b"", b"1\n", b'"#15abcde"\n', b"#\n", b"#x\n", b"#15abc"])
def test_what_is_no_block_has_no_payload(answer: bytes) -> None:
    assert answers.payload(answer) is None
    assert answers.misstated(answer, 8) is None
    assert answers.swapped(answer, DataFormat(64)) is None


@given(BLOCKS, PREFIXES, st.integers(-4000, 4000))
def test_only_the_stated_length_is_wrong(data: bytes, before: bytes, by: int) -> None:
    answer = before + definite_block(data) + b"\n"
    wrong = answers.misstated(answer, by)
    if wrong is None:
        stays = max(len(data) + by, 0) == len(data)
        assert stays or len(str(len(data) + by)) > len(str(len(data)))
    else:
        assert len(wrong) == len(answer)
        assert wrong.endswith(data + b"\n")
        digits = int(wrong[len(before) + 1 : len(before) + 2])
        assert int(wrong[len(before) + 2 :][:digits]) == max(len(data) + by, 0)


@given(TRACES, FORMS)
def test_swapping_twice_gives_the_answer_again(trace, form: DataFormat) -> None:
    answer = format_response(trace, form) + b"\n"
    once = answers.swapped(answer, form)
    if not form.real_bits:
        assert once is None
    else:
        opposite = DataFormat(form.real_bits, not form.is_swapped)
        assert read(once, opposite).tolist() == read(answer, form).tolist()
        assert answers.swapped(once, form) == answer


@given(TRACES, FORMS, st.integers(1, 50), st.integers(0, 99))
def test_so_many_points_are_not_a_number(trace, form: DataFormat, points: int, seed: int) -> None:
    answer = format_response(trace, form) + b"\n"
    spoiled = answers.with_not_a_number(answer, form, points, np.random.default_rng(seed), 4)
    numbers, before = read(spoiled, form), read(answer, form)
    missing = np.isclose(numbers, 9.91e37)
    width = 2 if trace.size % 2 == 0 else 1
    assert missing.sum() == width * min(points, trace.size // width)
    assert np.all(missing.reshape(-1, width).all(axis=1) == missing.reshape(-1, width).any(axis=1))
    assert numbers[~missing].tolist() == before[~missing].tolist()


@given(TRACES, FORMS, st.integers(-60, 60).filter(bool))
def test_so_many_numbers_too_many_or_too_few(trace, form: DataFormat, by: int) -> None:
    answer = format_response(trace, form) + b"\n"
    if by <= -trace.size and not form.real_bits:
        assert answers.resized(answer, form, by, 4) == b"\n"
        return
    numbers, before = read(answers.resized(answer, form, by, 4), form), read(answer, form)
    assert numbers.size == max(trace.size + by, 0)
    shared = min(numbers.size, before.size)
    assert numbers[:shared].tolist() == before[:shared].tolist()
    assert np.all(numbers[shared:] == before[-1])


@pytest.mark.parametrize("answer", [b"201\n", b'0,"No error"\n', b"ASC,0\n", b"1;2\n"])
def test_what_is_no_trace_is_left_alone(answer: bytes) -> None:
    form, random = DataFormat(), np.random.default_rng(0)
    assert answers.with_not_a_number(answer, form, 1, random, 4) is None
    assert answers.resized(answer, form, -1, 4) is None


def test_one_reading_is_enough_where_it_is_aimed_at() -> None:
    random = np.random.default_rng(0)
    spoiled = answers.with_not_a_number(b"-12.5\n", DataFormat(), 1, random, 1)
    assert math.isclose(float(spoiled), 9.91e37)
