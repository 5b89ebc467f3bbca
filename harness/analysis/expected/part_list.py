"""The parts that an item is made of, as people list them: "RG-316 450 mm", "2 x SMA".

A chain is a list of such parts, or one text in which " + " stands between them.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

MOST_OF_ONE_KIND = 1000
LONGEST_M = 1e5
_COUNT = re.compile(r"(\d{1,9})(?:\s*[x×]\s+|\s+(?=\D))(\S.*)")
_LENGTH = re.compile(r"(\S.*?)\s+([+-]?[\d.]+(?:[eE][+-]?\d+)?\s*[A-Za-zµ]+)")
_TIGHT_COUNT = re.compile(r"(\d{1,9})\s*[x×*]\s*([^\W\d].*)")
_UNIT_OF_MARK = {"'": "ft", "\u2032": "ft", '"': "in", "''": "in", "\u2033": "in"}
_OTHER_LENGTH = re.compile(r"(\S.*?),?\s+(\d+(?:[.,]\d+)?)\s*([A-Za-zµ]+|''|['\"\u2032\u2033])")
_BETWEEN = re.compile(r"\s\+(?=\s|$)")


@dataclass(frozen=True)
class Part:
    """Some pieces of one catalogue entry."""

    name: str
    count: int = 1
    length_m: float | None = None
    """Of each piece, for a cable."""


def parse_part(text: str, length: Callable[[str], float]) -> Part:
    """Read "2 x SMA", "2 SMA" or "RG-316 450 mm"; `length` turns "450 mm" into metres.

    Raises:
        ValueError: the text is empty, counts to nothing, or its length cannot be read, is not
            positive, or is longer than any cable.
    """
    rest = text.strip()
    if not rest:
        raise ValueError('a part is empty: write it like "RG-316 450 mm" or "2 x SMA"')
    count = 1
    if match := _COUNT.fullmatch(rest):
        count, rest = int(match.group(1)), match.group(2)
    if not 1 <= count <= MOST_OF_ONE_KIND:
        raise ValueError(f"{text!r}: the count must be from 1 to {MOST_OF_ONE_KIND}")
    length_m = None
    if match := _LENGTH.fullmatch(rest):
        rest = match.group(1)
        length_m = length(match.group(2))
        if length_m <= 0.0:
            raise ValueError(f"{text!r}: a length must be positive")
        if length_m > LONGEST_M:
            raise ValueError(f"{text!r}: no cable is longer than {LONGEST_M / 1e3:g} km")
    return Part(rest, count, length_m)


def parse_chain(text: str, length: Callable[[str], float]) -> tuple[Part, ...]:
    """Read "RG-316 450 mm + 2 x SMA"; a plus sign between blanks parts the parts.

    Raises:
        ValueError: as `parse_part`.
    """
    return tuple(parse_part(part, length) for part in _BETWEEN.split(text))


def writing_hint(text: str) -> str:
    """How a part that no catalogue knows was meant, where it is written as people do elsewhere:
    "2xN", "RG-316 1,2 m", "RG-316 4'"; empty where it is not."""
    if match := _TIGHT_COUNT.fullmatch(text):
        return f"write '{match[1]} x {match[2]}', with blanks around the x"
    if match := _OTHER_LENGTH.fullmatch(text):
        name, number, unit = match[1], match[2].replace(",", "."), match[3]
        return f"write '{name} {number} {_UNIT_OF_MARK.get(unit, unit)}'"
    return ""


def require_usable_name(name: str) -> None:
    """Refuse a name that could not be told from a count, a length or two parts in a chain.

    Raises:
        ValueError: says why.
    """
    try:
        reads_as = parse_chain(name, lambda _: 1.0)
    except ValueError:
        reads_as = ()
    if reads_as != (Part(name),):
        raise ValueError(
            f"{name!r} cannot name a part: in a chain it would be read otherwise; use no blanks "
            'at the ends, no "+" between blanks, and neither a count before nor a length after it'
        )
