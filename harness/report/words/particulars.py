"""Nested settings as rows for people: the key in words, the value with its unit.

Keys end in their unit (`if_bandwidth_hz`); values are SI numbers. The row for it reads
`IF bandwidth: 1 kHz`. Nothing needs to know which settings there are.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from harness.report.words import numbers

NOT_STATED = "not stated"
MOST_LISTED = 40
"""Longer lists are tables, which would drown the page."""

_UNITS = {
    "hz": "Hz",
    "s": "s",
    "m": "m",
    "m2": "m²",
    "v": "V",
    "a": "A",
    "w": "W",
    "ohm": "Ω",
    "n_m": "N·m",
    "kg": "kg",
    "pa": "Pa",
    "db": "dB",
    "dbm": "dBm",
    "k": "K",
    "c": "°C",
    "degc": "°C",
    "celsius": "°C",
    "deg": "°",
    "percent": "%",
    "h": "h",
    "hour": "h",
}
_MULTIPLES = {
    "khz": "kHz",
    "mhz": "MHz",
    "ghz": "GHz",
    "mm": "mm",
    "cm": "cm",
    "km": "km",
    "ms": "ms",
    "min": "min",
    "mv": "mV",
    "mw": "mW",
    "mdb": "mdB",
}
"""Units with a prefix, which stand after a number in the middle of a key (`loss_at_1_ghz_db`)."""
_WITH_PREFIX = {"Hz", "s", "m", "V", "A", "W", "Ω", "N·m", "Pa"}
_ABBREVIATIONS = {
    "id": "ID",
    "if": "IF",
    "rf": "RF",
    "scpi": "SCPI",
    "visa": "VISA",
    "lo": "LO",
    "dut": "DUT",
    "swr": "SWR",
    "vswr": "VSWR",
}


@dataclass(frozen=True)
class Row:
    """One line: where it stands in the nest, what it is called, what it is."""

    path: tuple[str, ...]
    label: str
    value: str


def rows(settings: Mapping[str, Any]) -> list[Row]:
    """Every leaf of `settings`, plain ones before nested ones, otherwise in the given order."""
    return list(_walk(settings, (), ""))


def groups(settings: Mapping[str, Any]) -> list[tuple[str, list[Row]]]:
    """The rows gathered under their nest's name; the name is empty for the outermost."""
    gathered: dict[str, list[Row]] = {}
    for row in rows(settings):
        gathered.setdefault(", ".join(row.path), []).append(row)
    return list(gathered.items())


def words(key: str) -> str:
    """`IF bandwidth` from `if_bandwidth`, `Loss at 1 GHz` from `loss_at_1_ghz`."""
    keyed = [part for part in key.split("_") if part] or [key]
    parts = [_ABBREVIATIONS.get(part.lower(), part) for part in keyed]
    for place, (before, part) in enumerate(pairwise(keyed), start=1):
        if before.isdecimal():
            parts[place] = _UNITS.get(part.lower()) or _MULTIPLES.get(part.lower(), part)
    first = parts[0]
    if first.isalpha() and first.islower():
        parts[0] = first.capitalize()
    return " ".join(parts)


def split_unit(key: str) -> tuple[str, str]:
    """Key without its unit, and the unit; the longest unit that fits wins."""
    parts = key.split("_")
    for start in range(1, len(parts)):
        above, _, below = "_".join(parts[start:]).lower().partition("_per_")
        known = [_UNITS.get(name) for name in (above, below) if name]
        unit = "/".join(name for name in known if name)
        if unit and None not in known:
            return "_".join(parts[:start]), unit
    return key, ""


def quantity(value: float, unit: str) -> str:
    """`1 kHz`, `450 mm`, `-10 dBm`, `23 °C`: SI prefixes only where they are customary."""
    if math.isnan(value):
        return NOT_STATED
    if math.isinf(value):
        return f"{'-' if value < 0 else ''}∞ {unit}".strip()
    if unit == "s" and abs(value) >= 1000:
        return _long_time(value)
    if unit in _WITH_PREFIX and unit != "N·m":
        from quantiphy import Quantity

        return str(Quantity(value, unit).render(prec=9))
    plain = f"{value:.9g}"
    return f"{plain}{unit}" if unit == "°" else f"{plain} {unit}".strip()


def _long_time(seconds: float) -> str:
    """`8 h`, `20 min`, or the seconds where they make neither whole."""
    for unit, length in (("h", 3600.0), ("min", 60.0)):
        if (seconds / length).is_integer():
            return f"{seconds / length:g} {unit}"
    return f"{seconds:.9g} s"


def _walk(settings: Mapping[str, Any], path: tuple[str, ...], unit: str) -> Iterator[Row]:
    nested: list[tuple[str, Any, str]] = []
    for key, value in settings.items():
        bare, own_unit = split_unit(str(key)) if _bears_unit(value) else (str(key), "")
        if isinstance(value, Mapping) or _holds_mappings(value):
            nested.append((bare, value, own_unit or unit))
        else:
            # Under `limits_db` the keys are names of bands, to be left as they were given.
            label = str(key) if unit else words(bare)
            yield Row(path, label, _leaf(value, own_unit or unit))
    for bare, value, inner_unit in nested:
        if isinstance(value, Mapping):
            yield from _walk(value, (*path, words(bare)), inner_unit)
            continue
        for place, entry in enumerate(value, start=1):
            inner = entry if isinstance(entry, Mapping) else {"value": entry}
            yield from _walk(inner, (*path, f"{words(bare)} {place}"), inner_unit)


def _leaf(value: Any, unit: str) -> str:
    if value is None or value == "":
        return NOT_STATED
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return quantity(float(value), unit)
    if isinstance(value, Sequence | Set) and not isinstance(value, str | bytes):
        if len(value) > MOST_LISTED:
            return f"{len(value)} entries, listed in the run file"
        return ", ".join(_leaf(entry, unit) for entry in value) or "none"
    return numbers.printable(str(value))


def _bears_unit(value: Any) -> bool:
    if isinstance(value, Mapping):
        # a formula among the numbers carries units of its own
        return all(isinstance(entry, str) or _bears_unit(entry) for entry in value.values())
    if isinstance(value, Sequence) and not isinstance(value, str | bytes):
        return all(_bears_unit(entry) for entry in value)
    return value is None or (isinstance(value, int | float) and not isinstance(value, bool))


def _holds_mappings(value: Any) -> bool:
    return (
        isinstance(value, Sequence)
        and not isinstance(value, str | bytes)
        and any(isinstance(entry, Mapping) for entry in value)
    )
