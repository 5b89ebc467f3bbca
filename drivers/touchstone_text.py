"""The text of a Touchstone file, versions 1.0, 1.1 and 2.0 or 2.1, of one or two ports, as numbers.

Touchstone File Format Specification, version 2.0 (IBIS Open Forum, 2009), from memory. What a
reader would have to guess is refused: the order of two-port data in version 2 where it is not
stated, matrices of which a part is left out under a keyword that is not known, numbers missing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

UNITS = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}
PARAMETERS = ("S", "Y", "Z", "G", "H")
FORMATS = ("DB", "MA", "RI")
PORTS = (1, 2)
NUMBERS_OF_NOISE = 5
ORDERS = {"21_12": ((0, 0), (1, 0), (0, 1), (1, 1)), "12_21": ((0, 0), (0, 1), (1, 0), (1, 1))}
TRIANGLES = {"LOWER": ((0, 0), (1, 0), (1, 1)), "UPPER": ((0, 0), (0, 1), (1, 1))}
SYMMETRIC = ("S", "Y", "Z")
"""Parameters whose matrices are symmetric where a two-port is reciprocal."""
IGNORED = ("NUMBER OF NOISE FREQUENCIES",)
ENDING = ("END", "NOISE DATA")
_KEYWORD = re.compile(r"\[([^\]]*)\](.*)")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)


@dataclass(frozen=True)
class TouchstoneNumbers:
    """What a text holds."""

    frequency_hz: NDArray[np.float64]
    """(F,), rising."""
    s: NDArray[np.complex128]
    """(F, N, N) scattering parameters."""
    reference_ohm: float
    has_both_ways: bool
    """False where only one triangle of a symmetric matrix is given."""


@dataclass(frozen=True)
class _Options:
    """An option line. Version 1 normalizes all parameters to the reference resistance."""

    unit: str = "GHZ"
    parameter: str = "S"
    format: str = "MA"
    resistance: float = 50.0


@dataclass(frozen=True)
class _Lines:
    """A text taken apart: comments and the information section are gone."""

    options: str | None
    keywords: dict[str, str]
    """In capitals; what follows on the same line and on lines before the next keyword."""
    data: list[str]


def read_touchstone(text: str, ports: int | None) -> TouchstoneNumbers:
    """Read a text; `ports` is what the ending of its name says, where it says it.

    Raises:
        ValueError: it is no such text, or something in it would have to be guessed.
    """
    lines = _taken_apart(text)
    version = lines.keywords.get("VERSION", "")
    if version and not version.startswith("2."):
        raise ValueError(f"[Version] {version} is not known; 2.0 is")
    if lines.keywords and not version:
        raise ValueError("it has keywords of version 2, but does not begin with [Version] 2.0")
    if version and lines.options is None:
        raise ValueError("the option line, which begins with #, is missing")
    options = _option_line(lines.options or "#")
    if version:
        return _second_version(lines, options)
    if ports is None:
        raise ValueError("the number of its ports is not known; name it .s2p (or .s1p, or 2.0)")
    if ports not in PORTS:
        raise ValueError(f"it has {ports} ports; save the two that matter as .s2p")
    rows = _rows(lines.data, 1 + 2 * ports**2, has_noise=ports == max(PORTS))
    places = ORDERS["21_12"] if ports == 2 else ((0, 0),)
    return _numbers(rows, places, ports, options, options.resistance, normalized=True)


def _taken_apart(text: str) -> _Lines:
    options: str | None = None
    keywords: dict[str, str] = {}
    data: list[str] = []
    current = ""
    for line in (raw.partition("!")[0].strip() for raw in text.splitlines()):
        if not line:
            continue
        keyword = _KEYWORD.fullmatch(line)
        name = " ".join(keyword[1].upper().split()) if keyword else ""
        if current == "BEGIN INFORMATION":
            current = "" if name == "END INFORMATION" else current
        elif current in ENDING:
            continue
        elif keyword:
            if name in keywords:
                raise ValueError(f"the keyword [{keyword[1]}] stands in it twice")
            current = name
            keywords[name] = keyword[2].strip()
        elif line.startswith("#"):
            options = line if options is None else options
        elif current in ("", "NETWORK DATA"):
            data.append(line)
        else:
            keywords[current] = f"{keywords[current]} {line}".strip()
    keywords.pop("BEGIN INFORMATION", None)
    return _Lines(options, keywords, data)


def _second_version(lines: _Lines, options: _Options) -> TouchstoneNumbers:
    given = lines.keywords
    known = {"VERSION", "NUMBER OF PORTS", "TWO-PORT DATA ORDER",
             "NUMBER OF FREQUENCIES", "REFERENCE", "MATRIX FORMAT", "NETWORK DATA", *IGNORED,
             *ENDING}  # fmt: skip
    if "MIXED-MODE ORDER" in given:
        raise ValueError("it holds mixed-mode parameters, not those of single ports")
    if unknown := [name for name in given if name not in known]:
        raise ValueError(f"the keyword [{unknown[0].title()}] is not known")
    if "NETWORK DATA" not in given:
        raise ValueError("[Network Data] is missing, behind which the data stand")
    ports = _whole(given, "NUMBER OF PORTS")
    if ports not in PORTS:
        raise ValueError(f"it has {ports} ports; save the two that matter, as one or two ports")
    matrix = given.get("MATRIX FORMAT", "FULL").upper()
    order = given.get("TWO-PORT DATA ORDER", "").upper()
    if matrix not in ("FULL", *TRIANGLES):
        raise ValueError(f"[Matrix Format] {matrix} is not known; it is Full, Lower or Upper")
    if matrix != "FULL" and options.parameter not in SYMMETRIC:
        raise ValueError(f"a triangle of {options.parameter} parameters does not tell the rest")
    if ports == 2 and order not in ORDERS:
        raise ValueError(
            "[Two-Port Data Order] is missing: without it nobody knows S21 from S12"
            if not order
            else f"[Two-Port Data Order] {order} is not known; it is 21_12 or 12_21"
        )
    places: Sequence[tuple[int, int]] = ((0, 0),)
    if ports == 2:
        places = ORDERS[order] if matrix == "FULL" else TRIANGLES[matrix]
    rows = _rows(lines.data, 1 + 2 * len(places), has_noise=False)
    count = _whole(given, "NUMBER OF FREQUENCIES")
    if count != len(rows):
        raise ValueError(f"it says {count} frequencies but has {len(rows)}: a part is missing")
    resistance = options.resistance
    if "REFERENCE" in given:
        stated = [_number(word) for word in given["REFERENCE"].split()]
        if len(stated) != ports or len(set(stated)) != 1:
            raise ValueError("[Reference] needs one resistance for each port, all of them equal")
        resistance = stated[0]
    return _numbers(rows, places, ports, options, resistance, normalized=False)


def _numbers(
    rows: NDArray[np.float64],
    places: Sequence[tuple[int, int]],
    ports: int,
    options: _Options,
    resistance: float,
    *,
    normalized: bool,
) -> TouchstoneNumbers:
    """Rows (F, 1 + 2 E) of frequency and pairs, whose E entries stand at `places`, as networks."""
    if not 0.0 < resistance < math.inf:
        raise ValueError(f"a reference resistance of {resistance:g} ohm is none")
    first, second = rows[:, 1::2], rows[:, 2::2]
    if options.format == "RI":
        values = first + 1j * second
    else:
        size = 10.0 ** (first / 20.0) if options.format == "DB" else first
        values = size * np.exp(1j * np.deg2rad(second))
    matrices = np.empty((len(rows), ports, ports), dtype=np.complex128)
    has_both_ways = len(places) == ports**2
    for column, (out, into) in enumerate(places):
        matrices[:, out, into] = values[:, column]
        if not has_both_ways:
            matrices[:, into, out] = values[:, column]
    if options.parameter != "S":
        from skrf import network

        convert = getattr(network, f"{options.parameter.lower()}2s")
        matrices = np.asarray(convert(matrices, 1.0 if normalized else resistance))
    if not np.all(np.isfinite(matrices)):
        raise ValueError("it holds values that are no numbers")
    frequency_hz = rows[:, 0] * UNITS[options.unit]
    return TouchstoneNumbers(frequency_hz, matrices, resistance, has_both_ways)


def _rows(lines: Sequence[str], wanted: int, *, has_noise: bool) -> NDArray[np.float64]:
    """The rows (F, `wanted`), without those of noise parameters, which may follow in version 1."""
    kept: list[list[float]] = []
    last = -math.inf
    for number, line in enumerate(lines, start=1):
        words = line.split()
        values = [_number(word, f"row {number} of the data") for word in words]
        if values[0] <= last:
            if has_noise and len(values) == NUMBERS_OF_NOISE:
                break
            raise ValueError(f"its frequencies do not rise at row {number} of the data")
        if len(values) != wanted:
            raise ValueError(
                f"row {number} of the data has {len(values)} numbers instead of {wanted}: "
                "a part is missing, or the ending of its name is wrong"
            )
        kept.append(values)
        last = values[0]
    if not kept:
        raise ValueError("it must hold data of one or two ports")
    if kept[0][0] < 0.0:
        raise ValueError("its frequencies do not rise from 0 on")
    return np.array(kept)


def _number(word: str, place: str = "") -> float:
    value = float(word) if _NUMBER.fullmatch(word) else math.nan
    if not math.isfinite(value):
        comma = ": a decimal point is needed, no comma" if re.search(r"\d,\d", word) else ""
        where = f" in {place}" if place else ""
        raise ValueError(f"{word[:30]!r}{where} is not a number{comma}")
    return value


def _whole(given: dict[str, str], name: str) -> int:
    text = given.get(name)
    if text is None:
        raise ValueError(f"[{name.capitalize()}] is missing")
    if not (text.isascii() and text.isdigit()):
        raise ValueError(f"[{name.capitalize()}] {text} is no whole number")
    return int(text)


def _option_line(line: str) -> _Options:
    """The fields may stand in any order; what is left out has its default."""
    words = line[1:].upper().split()
    found: dict[str, str] = {}
    resistance = 50.0
    is_stated = False
    while words:
        word = words.pop(0)
        joined = _NUMBER.fullmatch(word[1:]) if word.startswith("R") else None
        if (word == "R" or joined) and not is_stated:
            values = [_number(word[1:])] if joined else []
            while words and _NUMBER.fullmatch(words[0]):
                values.append(_number(words.pop(0)))
            if len(set(values)) != 1:
                raise ValueError("R in the option line needs one resistance, the same at each port")
            resistance, is_stated = values[0], True
            continue
        for field, known in (("unit", UNITS), ("parameter", PARAMETERS), ("format", FORMATS)):
            if word in known and field not in found:
                found[field] = word
                break
        else:
            raise ValueError(f"{word!r} in the option line is not understood")
    return _Options(**found, resistance=resistance)
