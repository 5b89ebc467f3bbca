"""Parameter types: from program data elements to Python values, and back for queries.

IEEE 488.2 7.7 (forms of program data, suffix multipliers in table 7-1) and SCPI-99 volume 1
chapters 7 (MINimum, MAXimum, DEFault, Boolean) and 8.3 (channel lists).
"""

import math
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType
from typing import ClassVar, Final

from drivers.simulated.scpi.headers import spellings
from drivers.simulated.scpi.responses import Quoted, definite_block
from drivers.simulated.scpi.scpi_errors import ScpiError
from drivers.simulated.scpi.syntax import Element, Kind

__all__ = [
    "Block", "Boolean", "ChannelList", "Choice", "Integer", "Limit", "Number", "Parameter", "Text",
]  # fmt: skip

Limit = float | Callable[[], float] | None

MULTIPLIERS: Final = MappingProxyType(
    {"": 0, "EX": 18, "PE": 15, "T": 12, "G": 9, "MA": 6, "K": 3}
    | {"M": -3, "U": -6, "N": -9, "P": -12, "F": -15, "A": -18}
)
INFINITY: Final = 9.9e37  # SCPI-99 7.2.1.4
LARGEST_LIST: Final = 10_000


def _finite(source: str | int) -> float:
    try:
        value = float(source)
    except OverflowError:
        value = math.inf
    if math.isinf(value):
        raise ScpiError(-222, "beyond what a number can hold")
    return value


def _suffix_exponents(unit: str) -> dict[str, int]:
    """Return every suffix that may stand for `unit` with its power of ten.

    Table 7-1 of IEEE 488.2 makes MA mega and M milli, but for MHZ and MOHM, which are mega.
    Levels in decibels take no multiplier.
    """
    if not unit:
        return {}
    if unit.startswith("DB") or unit == "PCT":
        return {unit: 0}
    exponents: dict[str, int] = {}
    for multiplier, exponent in MULTIPLIERS.items():
        exponents.setdefault(multiplier + unit, exponent)
    if unit in ("HZ", "OHM"):
        exponents["M" + unit] = 6
    return exponents


class Parameter(ABC):
    """One parameter of a command; `kinds` are the forms of data that it accepts."""

    kinds: ClassVar[frozenset[Kind]]

    def convert(self, element: Element) -> object:
        """Return the value of `element`; raises ScpiError where it is not allowed here."""
        if element.kind not in self.kinds:
            raise ScpiError(element.kind.value, element.text[:40])
        return self._convert(element)

    @abstractmethod
    def _convert(self, element: Element) -> object:
        """Return the value of an element of an accepted kind."""

    @abstractmethod
    def respond(self, value: object) -> object:
        """Return `value` in the form that a query of this setting responds with."""


class Number(Parameter):
    """A real number, with a unit where one is given (`HZ`, `S`, `DBM`, `V`, ...).

    The limits may be functions, called each time they are needed. MINimum, MAXimum and DEFault
    stand for those that are given. A value outside them is -222.
    """

    kinds = frozenset({Kind.NUMBER, Kind.WORD})

    def __init__(
        self, unit: str = "", *, minimum: Limit = None, maximum: Limit = None, default: Limit = None
    ) -> None:
        self.unit = unit.upper()
        self._limits = {"MINIMUM": minimum, "MAXIMUM": maximum, "DEFAULT": default}
        self._exponents = _suffix_exponents(self.unit)

    def limit(self, word: str) -> float:
        """Return the value that MINimum, MAXimum or DEFault stands for; -224 for other words."""
        name = next((name for name in self._limits if word in (name, name[:3])), "")
        bound = self._bound(name) if name else None
        if bound is None:
            raise ScpiError(-224, word)
        return bound

    def bounds(self) -> tuple[float, float]:
        """Return the lowest and the highest value allowed at present; infinite where none is."""
        lowest, highest = self._bound("MINIMUM"), self._bound("MAXIMUM")
        return (
            -math.inf if lowest is None else lowest,
            math.inf if highest is None else highest,
        )

    def _bound(self, name: str) -> float | None:
        limit = self._limits[name]
        return limit() if callable(limit) else limit

    def _convert(self, element: Element) -> float:
        value = self._read(element)
        lowest, highest = self.bounds()
        if value < lowest:
            raise ScpiError(-222, f"{value:.10G} is below {lowest:.10G}")
        if value > highest:
            raise ScpiError(-222, f"{value:.10G} is above {highest:.10G}")
        return value

    def _read(self, element: Element) -> float:
        if element.kind is Kind.WORD:
            if element.text in ("INF", "INFINITY"):
                return INFINITY
            if element.text in ("NINF", "NINFINITY"):
                return -INFINITY
            return self.limit(element.text)
        if element.base != 10:
            return _finite(int(element.text, element.base))
        shift = 0
        if element.suffix:
            if not self.unit:
                raise ScpiError(-138, element.suffix)
            if element.suffix not in self._exponents:
                raise ScpiError(-131, f"{element.suffix} where {self.unit} is meant")
            shift = self._exponents[element.suffix]
        # one conversion of the whole decimal number, so that 2.4 GHZ is exactly 2.4E9
        return _finite(f"{element.text}E{element.exponent + shift}")

    def respond(self, value: object) -> object:
        """Return `value` as a float."""
        return float(value)  # type: ignore[arg-type]


class Integer(Number):
    """A whole number; a received number is rounded to the nearest one (half upwards)."""

    def _read(self, element: Element) -> float:
        if element.kind is Kind.NUMBER:
            if element.base != 10:
                return int(element.text, element.base)
            if not element.suffix and not element.exponent and "." not in element.text:
                sign = element.text[:1] if element.text[:1] in "+-" else ""
                return int(sign + (element.text[len(sign) :].lstrip("0") or "0"))
        return math.floor(super()._read(element) + 0.5)

    def respond(self, value: object) -> object:
        """Return `value` as an int."""
        return int(value)  # type: ignore[call-overload]


class Boolean(Parameter):
    """ON, OFF or a number, which is rounded: 0 is OFF, any other ON (SCPI-99 7.3)."""

    kinds = frozenset({Kind.NUMBER, Kind.WORD})
    _number = Integer()

    def _convert(self, element: Element) -> bool:
        if element.kind is Kind.NUMBER:
            return self._number.convert(element) != 0
        if element.text not in ("ON", "OFF"):
            raise ScpiError(-224, element.text)
        return element.text == "ON"

    def respond(self, value: object) -> object:
        """Return `value` as a bool, sent as 1 or 0."""
        return bool(value)


class Choice(Parameter):
    """Character data out of a list; each word has its short and its long form.

    `Choice("NORMal", "SWAPped")` gives the short form (`"NORM"`); a mapping gives what the word
    is mapped to. Queries respond with the short form.
    """

    kinds = frozenset({Kind.WORD})

    def __init__(self, *words: str | Mapping[str, object]) -> None:
        self._values: dict[str, object] = {}
        self._names: list[tuple[object, str]] = []
        for word in words:
            if isinstance(word, str):
                self._declare(word, spellings(word)[0])
            else:
                for name, value in word.items():
                    self._declare(name, value)
        if not self._values:
            raise ValueError("a choice needs at least one word")

    def _declare(self, word: str, value: object) -> None:
        short, long = spellings(word)
        if short in self._values or long in self._values:
            raise ValueError(f"{word} clashes with another word of the same choice")
        self._values[short] = self._values[long] = value
        self._names.append((value, short))

    def _convert(self, element: Element) -> object:
        if element.text not in self._values:
            raise ScpiError(-224, element.text)
        return self._values[element.text]

    def respond(self, value: object) -> object:
        """Return the short form of the word for `value`; raises ValueError when none stands."""
        for known, short in self._names:
            if known == value:
                return short
        if isinstance(value, str) and value.upper() in self._values:
            return self.respond(self._values[value.upper()])
        raise ValueError(f"{value!r} is none of {[short for _, short in self._names]}")


class Text(Parameter):
    """A quoted string, "..." or '...', a quote inside doubled."""

    kinds = frozenset({Kind.STRING})

    def _convert(self, element: Element) -> str:
        return element.text

    def respond(self, value: object) -> object:
        """Return `value` quoted."""
        return Quoted(str(value))


class Block(Parameter):
    """Arbitrary block data, of definite or indefinite length, as bytes."""

    kinds = frozenset({Kind.BLOCK})

    def _convert(self, element: Element) -> bytes:
        return element.data

    def respond(self, value: object) -> object:
        """Return `value` as a definite length block."""
        return definite_block(bytes(value))  # type: ignore[call-overload]


class ChannelList(Parameter):
    """A channel list such as `(@101,203)` or `(@1:3)`, as a tuple of ints (SCPI-99 8.3.2).

    A range may run downwards. A channel outside `channels`, where they are given, is -222.
    """

    kinds = frozenset({Kind.EXPRESSION})
    _entry = re.compile(r"\s*([0-9]{1,9})(?:\s*:\s*([0-9]{1,9}))?\s*", re.ASCII)

    def __init__(self, channels: Iterable[int] | None = None) -> None:
        self._channels = None if channels is None else frozenset(channels)

    def _convert(self, element: Element) -> tuple[int, ...]:
        content = element.text[1:-1].strip()
        if not content.startswith("@"):
            raise ScpiError(-171, "a channel list begins with (@")
        channels: list[int] = []
        for entry in content[1:].split(","):
            match = self._entry.fullmatch(entry)
            if match is None:
                raise ScpiError(-171, f"{entry[:40]} in a channel list")
            first = int(match[1])
            last = int(match[2] or match[1])
            step = 1 if last >= first else -1
            if abs(last - first) + len(channels) >= LARGEST_LIST:
                raise ScpiError(-223, f"more than {LARGEST_LIST} channels")
            channels.extend(range(first, last + step, step))
        if self._channels is not None:
            for channel in channels:
                if channel not in self._channels:
                    raise ScpiError(-222, f"channel {channel}")
        return tuple(channels)

    def respond(self, value: object) -> object:
        """Return the channels of `value` as a channel list."""
        return f"(@{','.join(str(int(channel)) for channel in value)})"  # type: ignore[attr-defined]
