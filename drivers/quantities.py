"""Quantities as people write them, number and unit together, to SI numbers (or dB, dBm).

Units are a closed list for each kind of quantity: a general parser that also takes
"2,4 GHz" for 24 GHz, or "30 min" for 0.03 inches, is no help at a bench.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, ValidationInfo

_QUANTITY = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([^\s\d.,+-].*?)?\s*")

_DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d)")
_MARKS = {"\u2032": "ft", "'": "ft", "\u2033": "in", '"': "in", "''": "in"}
_MARK = re.compile(r"(\d)\s*(''|['\"\u2032\u2033])(?=\s*$)")

_INCH_M = 0.0254
"""Exact (international inch, 1959)."""
_POUND_FORCE_N = 4.4482216152605
"""Exact: 0.45359237 kg at standard gravity 9.80665 m/s2."""

FREQUENCY_UNITS = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}
LENGTH_UNITS = {
    "um": 1e-6, "µm": 1e-6, "mm": 1e-3, "cm": 1e-2, "m": 1.0, "in": _INCH_M, "ft": 12 * _INCH_M,
}  # fmt: skip
LEVEL_UNITS = {"dBm": 1.0}
RATIO_UNITS = {"dB": 1.0, "mdB": 1e-3}
TORQUE_UNITS = {
    "N m": 1.0, "Nm": 1.0, "N·m": 1.0, "N cm": 1e-2,
    "in lbf": _INCH_M * _POUND_FORCE_N, "lbf in": _INCH_M * _POUND_FORCE_N,
}  # fmt: skip
TIME_UNITS = {"us": 1e-6, "µs": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0}
TEMPERATURE_UNITS = {"°C": 1.0, "degC": 1.0}
TEMPERATURE_DIFFERENCE_UNITS = {"K": 1.0}
RESISTANCE_UNITS = {"ohm": 1.0, "Ω": 1.0, "mohm": 1e-3, "mΩ": 1e-3}
CAPACITANCE_UNITS = {"pF": 1e-12, "fF": 1e-15}
INDUCTANCE_UNITS = {"nH": 1e-9, "pH": 1e-12}
CONDUCTIVITY_UNITS = {"S/m": 1.0, "MS/m": 1e6}


def parse_quantity(text: object, units: Mapping[str, float], example: str) -> float:
    """Read `text` such as "2.4 GHz" and return it in the SI unit that `units` scales to.

    Raises:
        ValueError: it is not a number with one of the units; says what would be right.
    """
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise ValueError(f"expected a quantity such as {example!r}, got {text!r}")
    known = ", ".join(units)
    if isinstance(text, (int, float)):
        raise ValueError(f'{text!r} has no unit: write it as text with one of {known}: "{example}"')
    match = _QUANTITY.fullmatch(text)
    if match is None:
        better = as_written_here(text)
        hint = f"write {better!r}" if better != text else f"write it like {example!r}"
        raise ValueError(f"{text!r} is not a number with a unit: {hint}")
    number, unit = match.groups()
    if unit in _MARKS and _MARKS[unit] in units:
        raise ValueError(f"{text!r}: write {as_written_here(text)!r}")
    if unit is None:
        raise ValueError(f"{text!r} has no unit: add one of {known}, as in {example!r}")
    if unit not in units:
        near = [known_unit for known_unit in units if known_unit.lower() == unit.lower()]
        hint = f"did you mean {near[0]!r}?" if near else f"use one of {known}, as in {example!r}"
        raise ValueError(f"{text!r}: {unit!r} is not a unit that fits here: {hint}")
    value = float(number) * units[unit]
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is larger than any quantity can be")
    return value


def as_written_here(text: str) -> str:
    """A quantity with a point in place of a decimal comma, and ft and in in place of their marks;
    as it is where it has neither."""
    pointed = _DECIMAL_COMMA.sub(".", text)
    return _MARK.sub(lambda found: f"{found[1]} {_MARKS[found[2]]}", pointed)


def counted(count: int, what: str) -> str:
    """`1 item`, `12 items`."""
    return f"{count:,} {what}{'' if count == 1 else 's'}"


SI_CONTEXT = {"si": True}
"""Validation context for numbers that were written by Tareline itself, already in SI."""


def _reader(units: Mapping[str, float], example: str) -> Callable[[Any, ValidationInfo], float]:
    def read(value: Any, info: ValidationInfo) -> float:
        if info.context == SI_CONTEXT and isinstance(value, (int, float)):
            return float(value)
        return parse_quantity(value, units, example)

    return read


FrequencyHz = Annotated[float, BeforeValidator(_reader(FREQUENCY_UNITS, "2.4 GHz"))]
LengthM = Annotated[float, BeforeValidator(_reader(LENGTH_UNITS, "450 mm"))]
LevelDbm = Annotated[
    float, BeforeValidator(_reader(LEVEL_UNITS, "-10 dBm")), Field(ge=-300.0, le=100.0)
]
RatioDb = Annotated[float, BeforeValidator(_reader(RATIO_UNITS, "0.5 dB"))]
TorqueNm = Annotated[float, BeforeValidator(_reader(TORQUE_UNITS, "0.56 N m"))]
TimeS = Annotated[float, BeforeValidator(_reader(TIME_UNITS, "5 s"))]
TemperatureC = Annotated[float, BeforeValidator(_reader(TEMPERATURE_UNITS, "23 °C"))]
TemperatureDifferenceK = Annotated[
    float, BeforeValidator(_reader(TEMPERATURE_DIFFERENCE_UNITS, "1 K"))
]
ResistanceOhm = Annotated[float, BeforeValidator(_reader(RESISTANCE_UNITS, "0.1 ohm"))]
CapacitanceF = Annotated[float, BeforeValidator(_reader(CAPACITANCE_UNITS, "0.2 pF"))]
InductanceH = Annotated[float, BeforeValidator(_reader(INDUCTANCE_UNITS, "0.05 nH"))]
ConductivitySPerM = Annotated[float, BeforeValidator(_reader(CONDUCTIVITY_UNITS, "58 MS/m"))]
