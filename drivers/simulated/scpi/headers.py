"""Header patterns in SCPI notation and the tree in which received headers are looked up.

SCPI-99 volume 1, chapter 6.2: a node is known by its short form (the capitals) or its long
form and by nothing in between; optional nodes stand in brackets; `<n>` marks a numeric suffix,
which is 1 where it is left out.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Final, Generic, TypeVar

from drivers.simulated.scpi.scpi_errors import ScpiError

__all__ = ["HeaderTree", "spellings"]

T = TypeVar("T")

_NODE = re.compile(r"([A-Z][A-Za-z0-9_]*)(<\w*>)?", re.ASCII)
_PIECE = re.compile(r"(\[)?:?([A-Za-z0-9_]+(?:<\w*>)?)(?(1):?\]):?", re.ASCII)
_DIGITS = re.compile(r"(.*?[^0-9])([0-9]+)", re.ASCII)
OMITTED: Final = -1


@cache
def spellings(keyword: str) -> tuple[str, str]:
    """Return the short and the long form, in capitals, of a keyword such as `FREQuency`."""
    match = _NODE.fullmatch(keyword)
    short = re.sub("[a-z]", "", keyword)
    if match is None or match[2] or not keyword.startswith(short):
        raise ValueError(f"{keyword!r} is no SCPI keyword: capitals, then lower case, as in STARt")
    return short, keyword.upper()


@dataclass(frozen=True, slots=True)
class _Piece:
    keyword: str
    has_suffix: bool
    is_optional: bool


@dataclass(frozen=True, slots=True)
class _Route(Generic[T]):
    target: T
    picks: tuple[int, ...]  # which node of the received header holds each suffix
    plain: tuple[int, ...]  # nodes that take no suffix
    ranges: tuple[tuple[int, int], ...]


@dataclass(slots=True)
class _Node(Generic[T]):
    children: "dict[str, _Node[T]]" = field(default_factory=dict)
    route: _Route[T] | None = None


@cache
def _pieces(pattern: str) -> tuple[_Piece, ...]:
    pieces: list[_Piece] = []
    position = 0
    while position < len(pattern):
        match = _PIECE.match(pattern, position)
        node = _NODE.fullmatch(match[2]) if match else None
        if match is None or node is None or "::" in pattern:
            raise ValueError(f"header pattern {pattern!r} cannot be read at {pattern[position:]!r}")
        pieces.append(_Piece(node[1], node[2] is not None, match[1] is not None))
        position = match.end()
    if all(piece.is_optional for piece in pieces):
        raise ValueError(f"header pattern {pattern!r} needs a node outside brackets")
    return tuple(pieces)


@dataclass(frozen=True, slots=True)
class _Way:
    """One way to write a pattern."""

    keywords: tuple[str, ...]
    picks: tuple[int, ...]
    plain: tuple[int, ...]


@cache
def _ways(pattern: str) -> tuple[_Way, ...]:
    """Every way to write or leave out the optional nodes."""
    pieces = _pieces(pattern)
    numbered = [piece for piece in pieces if piece.has_suffix]
    return tuple(
        _Way(
            tuple(piece.keyword for piece in written),
            tuple(
                next((i for i, piece in enumerate(written) if piece is wanted), OMITTED)
                for wanted in numbered
            ),
            tuple(i for i, piece in enumerate(written) if not piece.has_suffix),
        )
        for written in _subsets(pieces)
    )


def _subsets(pieces: Sequence[_Piece]) -> Iterator[tuple[_Piece, ...]]:
    if not pieces:
        yield ()
        return
    for rest in _subsets(pieces[1:]):
        yield (pieces[0], *rest)
        if pieces[0].is_optional:
            yield rest


class HeaderTree(Generic[T]):
    """Maps received headers to what was declared for their pattern."""

    def __init__(self) -> None:
        self._root: _Node[T] = _Node()

    def add(self, pattern: str, target: T, suffixes: Sequence[tuple[int, int]] = ()) -> None:
        """Declare `pattern` (no `?`) for `target`.

        `suffixes` gives the lowest and highest value of each numeric suffix in turn. Raises
        ValueError for a pattern that cannot be read, that clashes with another, or whose
        suffixes are not all given a range.
        """
        numbered = sum(piece.has_suffix for piece in _pieces(pattern))
        if numbered != len(suffixes):
            raise ValueError(
                f"header pattern {pattern!r} has {numbered} numeric suffixes, "
                f"but {len(suffixes)} ranges are declared"
            )
        for way in _ways(pattern):
            node = self._grow(pattern, way.keywords)
            if node.route is not None:
                raise ValueError(f"header pattern {pattern!r} is declared twice")
            node.route = _Route(target, way.picks, way.plain, tuple(suffixes))

    def _grow(self, pattern: str, keywords: Sequence[str]) -> _Node[T]:
        node = self._root
        for keyword in keywords:
            short, long = spellings(keyword)
            child = node.children.get(short)
            if child is not node.children.get(long):
                raise ValueError(f"{keyword} in {pattern!r} clashes with another node there")
            if child is None:
                child = _Node()
                node.children[short] = node.children[long] = child
            node = child
        return node

    def find(self, mnemonics: Sequence[str]) -> tuple[T, tuple[int, ...]]:
        """Return what is declared for a header and the values of its numeric suffixes.

        `mnemonics` are the nodes from the root, in capitals. Raises ScpiError -113 for a header
        that is not declared and -114 for a suffix outside its range.
        """
        node = self._root
        numbers: list[int | None] = []
        for mnemonic in mnemonics:
            child = node.children.get(mnemonic)
            number: int | None = None
            if child is None:
                match = _DIGITS.fullmatch(mnemonic)
                child = node.children.get(match[1]) if match else None
                if match is None or child is None:
                    raise ScpiError(-113, ":".join(mnemonics))
                number = int(match[2])
            numbers.append(number)
            node = child
        route = node.route
        if route is None or any(numbers[i] is not None for i in route.plain):
            raise ScpiError(-113, ":".join(mnemonics))
        if not route.picks:
            return route.target, ()
        values: list[int] = []
        for pick, (lowest, highest) in zip(route.picks, route.ranges, strict=True):
            number = None if pick == OMITTED else numbers[pick]
            value = 1 if number is None else number
            if not lowest <= value <= highest:
                raise ScpiError(-114, f"{value} in {':'.join(mnemonics)}")
            values.append(value)
        return route.target, tuple(values)
