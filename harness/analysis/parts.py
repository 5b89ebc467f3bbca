"""The parts that an item is made of, as people list them: "RG-316 450 mm", "2 x SMA"."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

MOST_OF_ONE_KIND = 1000
_COUNT = re.compile(r"(\d{1,9})\s*[x×]\s+(\S.*)")
_LENGTH = re.compile(r"(\S.*?)\s+([+-]?[\d.]+(?:[eE][+-]?\d+)?\s*[A-Za-zµ]+)")


@dataclass(frozen=True)
class Part:
    """Some pieces of one catalogue entry."""

    name: str
    count: int = 1
    length_m: float | None = None
    """Of each piece, for a cable."""


def parse_part(text: str, length: Callable[[str], float]) -> Part:
    """Read "2 x SMA" or "RG-316 450 mm"; `length` turns "450 mm" into metres.

    Raises:
        ValueError: the text is empty, counts to nothing, or its length cannot be read or
            is not positive.
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
    return Part(rest, count, length_m)
