"""Losses of single adapters from adapters measured two at a time.

    A_ij(f) = x_i(f) + x_j(f)

Adapters are the corners of a graph, measured pairs its edges. The unknowns are decided just when
every connected part of the graph holds a cycle of odd length (the signless incidence matrix of a
part has full column rank unless the part is bipartite; textbook graph theory). An adapter that
was measured alone is a cycle of length one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.several_runs.linear_model import LinearEstimate, RunErrors, estimate
from harness.analysis.units import DB_PER_NEPER

Pair = tuple[str, ...]
"""One or two adapters that were measured together."""


class UndecidedPairsError(ValueError):
    """The pairs do not decide the losses; `missing` are pairs to measure next, in order."""

    def __init__(self, message: str, missing: tuple[Pair, ...]) -> None:
        super().__init__(message)
        self.missing = missing


@dataclass(frozen=True)
class AdapterLosses:
    """Each adapter's loss: its body and one mating, which is what it adds to a line."""

    adapters: tuple[str, ...]
    frequency_hz: FloatArray
    """(P,)"""
    estimate: LinearEstimate
    """Unknowns in the order of `adapters`."""

    def loss_db(self, adapter: str) -> FloatArray:
        """(P,)"""
        return self.estimate.combination(self._alone(adapter))

    def standard_uncertainty_db(self, adapter: str) -> FloatArray:
        """(P,)"""
        return self.estimate.standard_uncertainty(self._alone(adapter))

    def expanded_uncertainty_db(self, adapter: str) -> FloatArray:
        """(P,)"""
        return self.estimate.expanded_uncertainty(self._alone(adapter))

    def _alone(self, adapter: str) -> FloatArray:
        weights = np.zeros(len(self.adapters))
        weights[self.adapters.index(adapter)] = 1.0
        return weights


def adapters_of(pairs: Sequence[Pair]) -> tuple[str, ...]:
    """All adapters, in the order of first mention."""
    return tuple(dict.fromkeys(name for pair in pairs for name in pair))


def design_matrix(pairs: Sequence[Pair]) -> FloatArray:
    """How often each adapter is in each pair, (N, K)."""
    adapters = adapters_of(pairs)
    return np.array([[float(pair.count(name)) for name in adapters] for pair in pairs])


def adapter_losses(
    pairs: Sequence[Pair],
    frequency_hz: FloatArray,
    insertion_loss_db: FloatArray,
    errors: RunErrors,
) -> AdapterLosses:
    """Every adapter's loss from N `pairs` with losses (N, P).

    Raises:
        UndecidedPairsError: the pairs do not decide all of them; says what to measure next.
    """
    require_decided(pairs)
    fitted = estimate(design_matrix(pairs), insertion_loss_db, errors)
    return AdapterLosses(adapters_of(pairs), frequency_hz, fitted)


def require_decided(pairs: Sequence[Pair]) -> None:
    """Make sure that the pairs decide every adapter's loss.

    Raises:
        UndecidedPairsError: they do not; names the pairs that are missing.
    """
    missing = missing_pairs(pairs)
    if not missing:
        return
    first, *more = (_named(pair) for pair in missing)
    message = (
        f"{len(pairs)} {'pair does' if len(pairs) == 1 else 'pairs do'} not decide the losses of "
        f"{len(adapters_of(pairs))} adapters: the measured pairs form no cycle of odd length"
    )
    message += f"; measure {first} next"
    if more:
        message += f", then {' and '.join(more)}"
    raise UndecidedPairsError(message, missing)


def missing_pairs(pairs: Sequence[Pair]) -> tuple[Pair, ...]:
    """Pairs that would decide every adapter's loss, the next one first; none if all is decided.

    Each is the one that helps most: it closes an odd cycle within a part of the graph, or joins
    a part without one to another. Two adapters that were only measured with each other and are
    all there is need a third, which then is called "another adapter".
    """
    known = list(pairs)
    wanted: list[Pair] = []
    while True:
        parts = _parts(known)
        undecided = [part for part in parts if part.is_bipartite]
        if not undecided:
            return tuple(wanted)
        pair = _helping_pair(undecided[0], parts)
        known.append(pair)
        wanted.append(pair)


THIRD = "another adapter"


@dataclass(frozen=True)
class _Part:
    """A connected part of the graph; sides alternate along every edge if it is bipartite."""

    sides: dict[str, int]
    is_bipartite: bool


def _parts(pairs: Sequence[Pair]) -> list[_Part]:
    neighbours: dict[str, list[str]] = {name: [] for name in adapters_of(pairs)}
    for pair in pairs:
        first, last = pair[0], pair[-1]
        neighbours[first].append(last)
        neighbours[last].append(first)
    seen: set[str] = set()
    parts = []
    for start in neighbours:
        if start in seen:
            continue
        sides, is_bipartite, waiting = {start: 0}, True, [start]
        while waiting:
            name = waiting.pop()
            for other in neighbours[name]:
                if other not in sides:
                    sides[other] = 1 - sides[name]
                    waiting.append(other)
                elif sides[other] == sides[name]:
                    is_bipartite = False
        # a lone adapter that was measured alone has an edge to itself
        seen |= set(sides)
        parts.append(_Part(sides, is_bipartite))
    return parts


def _helping_pair(part: _Part, parts: Sequence[_Part]) -> Pair:
    names = list(part.sides)
    for index, name in enumerate(names):
        for other in names[index + 1 :]:
            if part.sides[name] == part.sides[other]:
                return (name, other)
    others = sorted((p for p in parts if p is not part), key=lambda p: p.is_bipartite)
    return (names[0], next(iter(others[0].sides)) if others else THIRD)


def _named(pair: Pair) -> str:
    return f"{pair[0]} with {pair[-1]}" if len(pair) > 1 else f"{pair[0]} alone"


def interaction_db(reflection: FloatArray) -> FloatArray:
    """Standard uncertainty for what the reflections of two mated adapters do to the sum of losses.

    S21 of a pair is t_i t_j / (1 - s22_i s11_j): the loss of the pair differs from the sum by up
    to DB_PER_NEPER |s22_i s11_j|, U-shaped. With squares adding up over the phase,
    |s22_i s11_j| is at most half of `reflection`^2, the mean square seen from outside, (N,).
    Where reflections of two adapters cancel at the outside they do not inside, so no pair is
    taken to reflect less than the mean of all. Returns (N,).
    """
    square = np.square(reflection)
    product = np.maximum(square, np.mean(square, axis=0)) / 2.0
    return np.asarray(DB_PER_NEPER * product / np.sqrt(2.0))
