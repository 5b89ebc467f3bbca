"""Answers gone wrong: pure functions on the bytes that an instrument would have sent.

Each returns None where the answer is of a kind that it cannot spoil, or would stay as it is.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.scpi.framing import stated_length
from drivers.simulated.scpi.responses import DataFormat, definite_block, format_response

SHORTEST_TRACE = 4
"""Fewer numbers between commas are taken for settings, not for a trace."""
SCPI_NOT_A_NUMBER = 9.91e37
"""SCPI-99 volume 1, 7.2.1.5."""

_BLOCK = re.compile(rb"(?:^|[;,])#([1-9])")


def payload(answer: bytes) -> slice | None:
    """Where the first definite-length block of an answer has its payload."""
    match = _BLOCK.search(answer)
    if match is None:
        return None
    length = stated_length(answer[match.start(1) : match.start(1) + 10])
    start = match.end() + int(match[1])
    if length is None or length < 0 or start + length > len(answer):
        return None
    return slice(start, start + length)


def misstated(answer: bytes, by: int) -> bytes | None:
    """The length of the block stated wrong by `by` bytes, with as many digits as before."""
    where = payload(answer)
    if where is None:
        return None
    digits = answer[: where.start].rpartition(b"#")[2][1:]
    stated = str(max(int(digits) + by, 0)).zfill(len(digits)).encode()
    if len(stated) > len(digits):
        return None
    return _changed(answer, answer[: where.start - len(digits)] + stated + answer[where.start :])


def swapped(answer: bytes, form: DataFormat) -> bytes | None:
    """The bytes of every number in the block in the opposite order."""
    where = payload(answer)
    if where is None or not form.real_bits or (where.stop - where.start) % (form.real_bits // 8):
        return None
    numbers = np.frombuffer(answer[where], dtype=f"u{form.real_bits // 8}")
    swapped_bytes = numbers.byteswap().tobytes()
    return _changed(answer, answer[: where.start] + swapped_bytes + answer[where.stop :])


def with_not_a_number(
    answer: bytes, form: DataFormat, points: int, random: np.random.Generator, shortest: int
) -> bytes | None:
    """`points` points, two numbers each, replaced by 9.91E37 at places drawn at random."""
    numbers = _numbers(answer, form, shortest)
    if numbers is None:
        return None
    pairs = numbers.reshape(-1, 2) if numbers.size % 2 == 0 else numbers.reshape(-1, 1)
    pairs[random.choice(len(pairs), size=min(points, len(pairs)), replace=False)] = (
        SCPI_NOT_A_NUMBER
    )
    return _changed(answer, _answer(answer, pairs.reshape(-1), form))


def resized(answer: bytes, form: DataFormat, by: int, shortest: int) -> bytes | None:
    """`by` numbers more than there should be (the last one again), or fewer where negative."""
    numbers = _numbers(answer, form, shortest)
    if numbers is None or by == 0:
        return None
    left = numbers[: max(numbers.size + by, 0)] if by < 0 else numbers
    return _answer(answer, np.concatenate([left, np.repeat(numbers[-1:], max(by, 0))]), form)


def _changed(before: bytes, after: bytes) -> bytes | None:
    return None if after == before else after


def _numbers(answer: bytes, form: DataFormat, shortest: int) -> NDArray[np.float64] | None:
    """The numbers of the block, or of an answer that is nothing but numbers."""
    where = payload(answer)
    if where is not None:
        if not form.real_bits or (where.stop - where.start) % (form.real_bits // 8):
            return None
        numbers = np.frombuffer(answer[where], dtype=_wire_type(form)).astype(np.float64)
        return numbers if numbers.size >= shortest else None
    try:
        numbers = np.array([float(part) for part in answer.split(b",")])
    except ValueError:
        return None
    return numbers if numbers.size >= shortest else None


def _answer(answer: bytes, numbers: NDArray[np.float64], form: DataFormat) -> bytes:
    """`answer` with `numbers` in the place of those it held."""
    where = payload(answer)
    if where is None:
        return format_response(numbers, form) + b"\n"
    header = answer[: where.start].rindex(b"#")
    block = definite_block(numbers.astype(_wire_type(form)).tobytes())
    return answer[:header] + block + answer[where.stop :]


def _wire_type(form: DataFormat) -> str:
    return f"{'<' if form.is_swapped else '>'}f{form.real_bits // 8}"
