"""Limits of loss as people write them: a number, a formula in frequency, or the expected loss
with a margin.

    "0.45 dB"
    "0.1 dB + 0.35 dB * sqrt(f / 1 GHz)"
    "expected + 0.3 dB"
    "1.2 * expected + 0.05 dB"

A formula has + - * / ^, brackets, sqrt(), numbers with or without a unit, `f` (the frequency)
and `expected` (what the item ought to lose, in dB). Units are carried through, so that what
does not come out in dB is refused when it is read.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np

from harness.analysis.arrays import FloatArray

LONGEST_FORMULA = 300
DEEPEST_NESTING = 30
LARGEST_POWER = 10

_TOKEN = re.compile(
    r"\s*(?:(?P<number>\d+\.?\d*(?:[eE][+-]?\d+)?|\.\d+(?:[eE][+-]?\d+)?)"
    r"|(?P<word>[A-Za-zµ]+)|(?P<sign>[-+*/^()]))"
)


@dataclass(frozen=True)
class Dimension:
    """Powers of dB and Hz that a term of a formula has."""

    db: Fraction = Fraction(0)
    hz: Fraction = Fraction(0)

    def __str__(self) -> str:
        parts = [(f"{name}^{power}" if power != 1 else name)
                 for name, power in (("dB", self.db), ("Hz", self.hz)) if power]  # fmt: skip
        return " ".join(parts) or "a plain number"

    def times(self, other: Dimension, sign: int) -> Dimension:
        """Of a product (sign 1) or a quotient (sign -1)."""
        return Dimension(self.db + sign * other.db, self.hz + sign * other.hz)

    def to_the(self, power: Fraction) -> Dimension:
        """Of a power."""
        return Dimension(self.db * power, self.hz * power)


PLAIN, DECIBELS, HERTZ = Dimension(), Dimension(db=Fraction(1)), Dimension(hz=Fraction(1))


@dataclass(frozen=True)
class _Term:
    """A node of a formula: what it does with its terms, and the dimension it has."""

    kind: Literal["number", "f", "expected", "+", "-", "*", "/", "^"]
    dimension: Dimension
    terms: tuple[_Term, ...] = ()
    value: float = 0.0

    def at(self, frequency_hz: FloatArray, expected_db: FloatArray | None) -> FloatArray:
        """Its value, (P,)."""
        if self.kind == "number":
            return np.full_like(frequency_hz, self.value)
        if self.kind == "f":
            return frequency_hz
        if self.kind == "expected":
            if expected_db is None:
                raise ValueError(
                    "the limit builds on the expected loss, which is not known: say in made_of "
                    "what the item is made of"
                )
            return expected_db
        first, second = (term.at(frequency_hz, expected_db) for term in self.terms)
        operation = {
            "+": np.add, "-": np.subtract, "*": np.multiply, "/": np.divide, "^": np.power,
        }[self.kind]  # fmt: skip
        return np.asarray(operation(first, second), dtype=np.float64)


@dataclass(frozen=True)
class Formula:
    """A limit that is more than a number."""

    text: str
    _root: _Term

    def at(self, frequency_hz: FloatArray, expected_db: FloatArray | None = None) -> FloatArray:
        """The limit in dB at `frequency_hz` (P,); `expected_db` has the same shape.

        Raises:
            ValueError: it needs the expected loss and there is none, or it is not a number
                above 0 dB at some frequency.
        """
        with np.errstate(all="ignore"):
            limit_db = self._root.at(np.asarray(frequency_hz, dtype=np.float64), expected_db)
        wrong = ~(np.isfinite(limit_db) & (limit_db > 0.0))
        if np.any(wrong):
            index = int(np.argmax(wrong))
            raise ValueError(
                f"{self.text!r} is {limit_db[index]:g} dB at {frequency_hz[index] / 1e6:g} MHz: "
                "a limit must be above 0 dB in the whole band"
            )
        return limit_db


def parse_formula(
    text: str, frequency_units: Mapping[str, float], ratio_units: Mapping[str, float]
) -> Formula:
    """Read a formula; the units scale to Hz and to dB.

    Raises:
        ValueError: it cannot be read, or does not come out in dB; says where and why.
    """
    if len(text) > LONGEST_FORMULA:
        raise ValueError(f"a limit of more than {LONGEST_FORMULA} characters is none")
    units = {name: (scale, HERTZ) for name, scale in frequency_units.items()}
    units |= {name: (scale, DECIBELS) for name, scale in ratio_units.items()}
    root = _Reader(text, units).whole()
    if root.dimension != DECIBELS:
        raise ValueError(
            f"{text!r} comes out as {root.dimension}, not in dB: write it like "
            "'0.1 dB + 0.35 dB * sqrt(f / 1 GHz)'"
        )
    return Formula(text.strip(), root)


@dataclass(frozen=True)
class _Token:
    kind: str
    text: str
    place: int


class _Reader:
    """Descends through a formula: sums of products of powers of numbers and brackets."""

    def __init__(self, text: str, units: Mapping[str, tuple[float, Dimension]]) -> None:
        self._text = text
        self._units = units
        self._tokens = self._split()
        self._next = 0
        self._depth = 0

    def whole(self) -> _Term:
        """The formula to its end."""
        term = self._sum()
        if self._kind() != "end":
            self._wrong("an operator such as + or *")
        return term

    def _split(self) -> list[_Token]:
        tokens, place, end = [], 0, len(self._text.rstrip())
        while place < end:
            match = _TOKEN.match(self._text, place)
            if match is None:
                sign = self._text[place:].lstrip()[0]
                hint = "; decimals have a point" if sign == "," else ""
                raise ValueError(f"{self._text!r}: {sign!r} has no meaning in a limit{hint}")
            kind = str(match.lastgroup)
            tokens.append(_Token(kind, match.group(kind), match.start(kind) + 1))
            place = match.end()
        return [*tokens, _Token("end", "its end", end + 1)]

    def _kind(self) -> str:
        token = self._tokens[self._next]
        return token.text if token.kind == "sign" else token.kind

    def _take(self) -> _Token:
        self._next += 1
        return self._tokens[self._next - 1]

    def _wrong(self, wanted: str) -> None:
        token = self._tokens[self._next]
        found = "it ends there" if token.kind == "end" else f"found {token.text!r}"
        raise ValueError(f"{self._text!r}: expected {wanted} at character {token.place}, {found}")

    def _sum(self) -> _Term:
        self._depth += 1
        if self._depth > DEEPEST_NESTING:
            raise ValueError("a limit has brackets within brackets, too deep to read")
        term = self._product()
        while self._kind() in ("+", "-"):
            sign, other = self._take().text, self._product()
            if term.dimension != other.dimension:
                raise ValueError(
                    f"{self._text!r}: {term.dimension} and {other.dimension} cannot be added or "
                    "subtracted"
                )
            term = _Term("+" if sign == "+" else "-", term.dimension, (term, other))
        self._depth -= 1
        return term

    def _product(self) -> _Term:
        term = self._signed()
        while self._kind() in ("*", "/"):
            times, other = self._take().text == "*", self._signed()
            dimension = term.dimension.times(other.dimension, 1 if times else -1)
            term = _Term("*" if times else "/", dimension, (term, other))
        return term

    def _signed(self) -> _Term:
        minus = False
        while self._kind() in ("+", "-"):
            minus ^= self._take().text == "-"
        term = self._power()
        return _Term("*", term.dimension, (_number(-1.0), term)) if minus else term

    def _power(self) -> _Term:
        base = self._atom()
        if self._kind() != "^":
            return base
        self._take()
        minus = self._kind() == "-"
        if minus:
            self._take()
        if self._kind() != "number":
            self._wrong("a number as the power")
        exponent = float(self._take().text) * (-1.0 if minus else 1.0)
        if abs(exponent) > LARGEST_POWER:
            raise ValueError(f"{self._text!r}: a power above {LARGEST_POWER} cannot be meant")
        if self._kind() == "^":
            raise ValueError(f"{self._text!r}: a power of a power needs brackets")
        return _raised(base, exponent)

    def _atom(self) -> _Term:
        kind = self._kind()
        if kind == "number":
            return self._quantity()
        if kind == "word":
            return self._named()
        if kind == "(":
            self._take()
            return self._closed()
        self._wrong("a number, f, expected or a bracket")
        raise AssertionError("what is wrong was raised")

    def _closed(self) -> _Term:
        term = self._sum()
        if self._kind() != ")":
            self._wrong("a closing bracket")
        self._take()
        return term

    def _quantity(self) -> _Term:
        value = float(self._take().text)
        if not math.isfinite(value):
            raise ValueError(f"{self._text!r}: a number is larger than any quantity can be")
        token = self._tokens[self._next]
        if token.kind != "word":
            return _number(value)
        if token.text not in self._units:
            near = [unit for unit in self._units if unit.lower() == token.text.lower()]
            hint = f"did you mean {near[0]!r}?" if near else f"use one of {', '.join(self._units)}"
            raise ValueError(f"{self._text!r}: {token.text!r} is not a unit that fits here; {hint}")
        scale, dimension = self._units[self._take().text]
        return _Term("number", dimension, value=value * scale)

    def _named(self) -> _Term:
        token = self._take()
        if token.text == "f":
            return _Term("f", HERTZ)
        if token.text == "expected":
            return _Term("expected", DECIBELS)
        if token.text == "sqrt":
            if self._kind() != "(":
                self._wrong("a bracket after sqrt")
            self._take()
            return _raised(self._closed(), 0.5)
        raise ValueError(
            f"{self._text!r}: {token.text!r} has no meaning in a limit; it may have f, expected, "
            "sqrt( ), + - * / ^ and numbers with their units"
        )


def _number(value: float) -> _Term:
    return _Term("number", PLAIN, value=value)


def _raised(base: _Term, exponent: float) -> _Term:
    dimension = base.dimension.to_the(Fraction(exponent).limit_denominator(1000))
    return _Term("^", dimension, (base, _number(exponent)))
