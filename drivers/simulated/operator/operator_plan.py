"""What the simulated operator's hands will do, instant by instant, once they were asked."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from drivers.simulated.described.operator_description import Operator
from drivers.simulated.physics.simulated_bench import NOTHING

MOST_FUMBLES = 3
DONE = "done"


class End(Enum):
    """How one of the two connections is."""

    OPEN = "open"
    LOOSE = "loose"
    """Finger-tight: it conducts, and wobbles."""
    TIGHTENING = "tightening"
    TIGHT = "tight"


Ends = tuple[End, End]


@dataclass(frozen=True)
class OperatorStage:
    """What is so from an instant on, until the next stage begins."""

    begin_s: float
    doing: str
    """In a word: reacting, undoing, exchanging, fumbling, making, done."""
    what: str
    """What is between the leads, at one end or both."""
    ends: Ends


class OperatorPlan:
    """The stages to come, from how things are when the operator is asked.

    `stages` are in order of time; the first of them begins at once.
    """

    def __init__(
        self, table: Operator, random: np.random.Generator, begin_s: float, what: str, ends: Ends
    ) -> None:
        self._table = table
        self._random = random
        self._time_s = begin_s
        self._what = what
        self._ends = list(ends)
        self.stages: list[OperatorStage] = []
        self._then("reacting")
        self._pass(table.reaction_time_s)

    def exchange(self, what: str) -> OperatorPlan:
        """Take out what is there and connect something else, or nothing; not always well."""
        if self._what != NOTHING:
            self._undo_both()
        if what != NOTHING:
            self._then("exchanging")
            self._pass(self._table.exchange_time_s)
            for _ in range(MOST_FUMBLES):
                if not self._happens(self._table.fumble_share):
                    break
                self._fumble(what)
            first = int(self._random.integers(2))
            self._make(what, first)
            if not self._happens(self._table.one_end_share):
                is_left_loose = self._happens(self._table.loose_share)
                self._make(what, 1 - first, is_left_loose=is_left_loose)
        self._then(DONE)
        return self

    def tighten(self) -> OperatorPlan:
        """Make what is open, tighten what is loose; nothing to do where nothing is connected."""
        for side in range(0 if self._what == NOTHING else 2):
            if self._ends[side] is End.OPEN:
                self._make(self._what, side)
            elif self._ends[side] is not End.TIGHT:
                self._turn(side)
        self._then(DONE)
        return self

    def _undo_both(self) -> None:
        first = int(self._random.integers(2))
        for side in (first, 1 - first):
            if self._ends[side] is not End.OPEN:
                self._undo(side)
        self._what = NOTHING
        self._then("exchanging")

    def _undo(self, side: int) -> None:
        self._end(side, End.LOOSE, "undoing")
        self._pass(self._table.undoing_time_s)
        self._end(side, End.OPEN, "undoing")

    def _fumble(self, what: str) -> None:
        """Something falls down; or the wrong end is made, seen, and undone again."""
        if self._happens(0.5):
            self._then("fumbling")
            self._pass(self._table.fumble_time_s)
            return
        side = int(self._random.integers(2))
        self._make(what, side)
        self._then("fumbling")
        self._pass(self._table.fumble_time_s)
        self._undo(side)
        self._what = NOTHING
        self._then("exchanging")

    def _make(self, what: str, side: int, *, is_left_loose: bool = False) -> None:
        """Bring one end's contacts together, with bounces, and tighten it."""
        self._what = what
        self._then("making")
        self._pass(self._table.making_time_s)
        for _ in range(int(self._random.poisson(self._table.bounces))):
            self._end(side, End.LOOSE, "making")
            self._pass(self._table.bounce_time_s)
            self._end(side, End.OPEN, "making")
            self._pass(self._table.bounce_time_s)
        if is_left_loose:
            self._end(side, End.LOOSE, "making")
        else:
            self._turn(side)

    def _turn(self, side: int) -> None:
        self._end(side, End.TIGHTENING, "making")
        self._time_s += self._table.tightening_time_s  # by when its contact has settled
        self._end(side, End.TIGHT, "making")

    def _end(self, side: int, end: End, doing: str) -> None:
        self._ends[side] = end
        self._then(doing)

    def _then(self, doing: str) -> None:
        near, far = self._ends
        self.stages.append(OperatorStage(self._time_s, doing, self._what, (near, far)))

    def _pass(self, median_s: float) -> None:
        spread = self._table.time_spread * float(self._random.standard_normal())
        self._time_s += median_s * float(np.exp(spread))

    def _happens(self, share: float) -> bool:
        return float(self._random.random()) < share
