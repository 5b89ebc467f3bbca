"""From an instrument's answer to numbers: encodings, forms of data, their units."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drivers.dialects.dialect_messages import fill
from drivers.dialects.dialect_tables import DataTable, Encoding
from drivers.errors import AnswerError
from drivers.link.link import Link

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

IMPEDANCE_OHM = 50.0
NOT_A_NUMBER = 9e37
"""From here on numbers are SCPI's infinities and not-a-number (SCPI-99 volume 1, 7.2.1.4 and
7.2.1.5): 9.9E37, -9.9E37, 9.91E37. REAL,32 holds them too."""
_HINT = "check [data] and the data format commands under `prepare` in the dialect"


def read_numbers(link: Link, encoding: Encoding, query: str, *, binary: bool = True) -> FloatArray:
    """Ask once and return the numbers of the answer, (N,); NaN where SCPI says so.

    `binary` is False for questions that are answered in text whatever the encoding of traces.

    Raises:
        AnswerError: the answer is not made of numbers in this encoding.
    """
    if encoding.encoding == "ascii" or not binary:
        values = _from_text(link, link.query(query), encoding.separator, query)
    else:
        return numbers_of_block(link, encoding, link.query_block(query), query)
    return _without_stand_ins(values)


def numbers_of_block(link: Link, encoding: Encoding, block: bytes, query: str) -> FloatArray:
    """The numbers of a block that answered `query`, (N,); NaN where SCPI says so.

    Raises:
        AnswerError: it is no whole count of numbers in this encoding.
    """
    width = 4 if encoding.encoding == "real32" else 8
    if len(block) % width:
        raise AnswerError(
            f"{query!r} answered {len(block)} bytes, which are no whole count of numbers of "
            f"{width} bytes",
            where=_where(link),
            hint=_HINT,
        )
    order = ">" if encoding.byte_order == "big" else "<"
    with np.errstate(invalid="ignore"):
        values = np.frombuffer(block, dtype=f"{order}f{width}").astype(np.float64)
    return _without_stand_ins(values)


def _without_stand_ins(values: FloatArray) -> FloatArray:
    """NaN for SCPI's infinities and not-a-number."""
    unusable = ~(np.abs(values) < NOT_A_NUMBER)
    return np.where(unusable, np.nan, values) if np.any(unusable) else values


def _from_text(link: Link, text: str, separator: str, query: str) -> FloatArray:
    parts = text.split() if separator.isspace() else text.strip().rstrip(separator).split(separator)
    try:
        return np.array(parts, dtype=np.float64)
    except ValueError:
        shown = text if len(text) <= 60 else f"{text[:60]}..."
        raise AnswerError(
            f"{query!r} answered {shown!r}; expected numbers separated by {separator!r}",
            where=_where(link),
            hint=_HINT,
        ) from None


def read_trace(link: Link, data: DataTable, trace: str, points: int) -> ComplexArray:
    """Select and read one trace, (P,): ratios, or levels as the square root of milliwatts.

    The square of the magnitude of a level is thus its power in mW; no imaginary part.

    Raises:
        AnswerError: not as many numbers as the sweep has points.
    """
    name = data.names.get(trace, trace)
    for command in data.select:
        link.write(fill(command, trace=name))
    first = _part(link, data, data.query, name)
    second = None
    if data.second_query is not None:
        second = _part(link, data, data.second_query, name)
    return trace_of(link, data, fill(data.query[-1], trace=name), first, second, points)


def trace_of(
    link: Link,
    data: DataTable,
    query: str,
    first: FloatArray,
    second: FloatArray | None,
    points: int,
) -> ComplexArray:
    """One trace, (P,), of what answered `query` and `second_query`; see `read_trace`.

    Raises:
        AnswerError: not as many numbers as the sweep has points.
    """
    pairs = data.form == "complex-pairs" or (
        second is None and data.form in ("magnitude-and-phase", "db-and-phase")
    )
    expected = 2 * points if pairs else points
    for part in (first, second):
        if part is not None and len(part) != expected:
            raise AnswerError(
                f"{query!r} answered {len(part)} numbers; expected {expected}: {points} "
                + ("pairs" if pairs else "points"),
                where=_where(link),
                hint=f"{_HINT}; or was it read before the sweep was over, with the points of one "
                "before?",
            )
    if pairs:
        first, second = first[0::2], first[1::2]
    return combined(data, first, second)


def _part(link: Link, data: DataTable, query: tuple[str, ...], name: str) -> FloatArray:
    for command in query[:-1]:
        link.write(fill(command, trace=name))
    return read_numbers(link, data, fill(query[-1], trace=name))


def combined(data: DataTable, first: FloatArray, second: FloatArray | None) -> ComplexArray:
    """One or two parts, (P,) each, in the form that `data` states, as complex numbers (P,)."""
    if data.form in ("complex-pairs", "real-and-imaginary"):
        if second is None:
            raise ValueError("complex numbers have two parts")
        result = np.empty(len(first), dtype=np.complex128)
        result.real, result.imag = first, second
        return result
    magnitude = amplitude(data.form, first)
    if second is None:
        return magnitude.astype(np.complex128)
    angle = np.deg2rad(second) if data.phase == "degrees" else second
    return np.asarray(magnitude * np.exp(1j * angle))


def amplitude(form: str, values: FloatArray) -> FloatArray:
    """Magnitudes (P,): ratios as they are, levels as the square root of milliwatts.

    A negative power, as noise about zero can give, has no level: NaN.
    """
    if form in ("db", "dbm", "db-and-phase"):
        return np.asarray(10.0 ** (values / 20.0))
    with np.errstate(invalid="ignore"):
        if form == "watt":
            return np.asarray(np.sqrt(values / 1e-3))
        if form == "volt":
            return np.asarray(np.abs(values) / np.sqrt(IMPEDANCE_OHM * 1e-3))
    return values


def _where(link: Link) -> str:
    return f"{link.resource} ({link.identity or 'not identified yet'})"
