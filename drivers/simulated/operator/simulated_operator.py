"""The simulated operator, who exchanges what is between the leads in the bench's own time.

A sweep meets what the hands have done when it begins: an end that is open, a contact whose
resistance falls while its nut is turned, one that wobbles. No reading is touched; they follow from
the path. Everything is drawn from the bench's seed, when the operator is asked or a sweep begins.
"""

from __future__ import annotations

import math

from drivers.simulated.described.operator_description import Operator
from drivers.simulated.operator.operator_plan import DONE, End, Ends, OperatorPlan, OperatorStage
from drivers.simulated.physics.signal_path import Contact
from drivers.simulated.physics.simulated_bench import (
    NOTHING,
    STREAM_OPERATOR,
    STREAM_WOBBLE,
    SimulatedBench,
)

SETTLED_WITHIN = 1e-3
"""What is left, at the click of the wrench, of the resistance that a loose nut has in excess."""
STEPS_PER_NEPER = 1000
"""The physics follows a contact in steps, so that it is not computed for every sweep."""


class SimulatedOperator:
    """Hands that take their time, and make mistakes as often as their table says."""

    def __init__(self, bench: SimulatedBench, table: Operator) -> None:
        self._bench = bench
        self._table = table
        self._asked = 0
        self._stages: list[OperatorStage] = []
        self._entered = 0
        """How many stages have begun."""
        self._turned_s = [0.0, 0.0]
        """Since when each nut is being turned."""

    def exchange(self, what: str) -> None:
        """Ask for an item, `THROUGH` or `NOTHING` to be connected instead of what is there.

        Raises:
            KeyError: there is no such item on this bench.
        """
        self._bench.require(what)
        self._begin(self._plan().exchange(what))

    def tighten(self) -> None:
        """Ask for both connections to be looked at: an open one is made, a loose one tightened."""
        self._begin(self._plan().tighten())

    @property
    def doing(self) -> str:
        """What the hands do now, in a word."""
        stage = self._stage()
        return DONE if stage is None else stage.doing

    @property
    def ends(self) -> Ends:
        """How the near and the far connection are now."""
        stage = self._stage()
        if stage is not None:
            return stage.ends
        end = End.OPEN if self._bench.connected == NOTHING else End.TIGHT
        return (end, end)

    def _plan(self) -> OperatorPlan:
        ends = self.ends
        self._asked += 1
        random = self._bench.draws(STREAM_OPERATOR, self._asked)
        return OperatorPlan(self._table, random, self._bench.elapsed_s, self._bench.connected, ends)

    def _begin(self, plan: OperatorPlan) -> None:
        self._stages, self._entered = plan.stages, 0
        self._bench.attend = self._attend
        self._attend()

    def _stage(self) -> OperatorStage | None:
        """Where the plan stands; None where a connection was made without this operator."""
        if self._bench.attend is None:
            return None
        self._attend()
        return self._stages[self._entered - 1]

    def _attend(self) -> None:
        """Bring the connections to where the hands are now."""
        now_s = self._bench.elapsed_s
        while self._entered < len(self._stages) and self._stages[self._entered].begin_s <= now_s:
            stage = self._stages[self._entered]
            if stage.what != self._bench.connected:
                self._bench.put_between(stage.what)
            for side, end in enumerate(stage.ends):
                was = self._stages[self._entered - 1].ends[side] if self._entered else None
                if end is End.TIGHTENING and was is not end:
                    self._turned_s[side] = stage.begin_s
            self._entered += 1
        near, far = (
            self._contact(side, end)
            for side, end in enumerate(self._stages[self._entered - 1].ends)
        )
        self._bench.contacts = (near, far)

    def _contact(self, side: int, end: End) -> Contact:
        if end is End.OPEN:
            return Contact(is_open=True)
        if end is End.TIGHT:
            return Contact()
        if end is End.LOOSE:
            draws = self._bench.draws(STREAM_WOBBLE, self._bench.sweeps).standard_normal(2)
            factor = math.exp(self._table.wobble * float(draws[side]))
            return self._loose(self._table.loose_resistance * factor, self._table.loose_gap)
        # the nut is turned: the excess falls exponentially
        since_s = self._bench.elapsed_s - self._turned_s[side]
        left = math.exp(math.log(SETTLED_WITHIN) * since_s / self._table.tightening_time_s)
        return self._loose(
            1.0 + (self._table.loose_resistance - 1.0) * left,
            1.0 + (self._table.loose_gap - 1.0) * left,
        )

    @staticmethod
    def _loose(resistance: float, gap: float) -> Contact:
        rounded_resistance, rounded_gap = (
            math.exp(round(math.log(max(scale, 1.0)) * STEPS_PER_NEPER) / STEPS_PER_NEPER)
            for scale in (resistance, gap)
        )
        return Contact(resistance=rounded_resistance, gap=rounded_gap)
