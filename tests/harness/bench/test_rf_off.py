"""RF at every change of a connection, on both benches and in every procedure.

What is heard here is the source itself: whoever touches a connection asks it whether RF is on.
"""

import pytest

from drivers.errors import LinkError
from drivers.sweep import SweepSettings
from harness.bench.bench import Bench
from harness.bench.lot_bench import LotBench
from harness.bench.operator_lines import Asked, OperatorCommand
from harness.bench.rehearsal import StandIn
from harness.bench.replay import Replay
from harness.bench.sitting import ItemOutcome, Wanted
from harness.running.finding_procedures import find_procedure, procedure_names
from tests.harness.analysis.likeness.test_likeness import PIG
from tests.harness.bench.test_connecting import FORGETS, SETTINGS, Place, measure

BANDS = {
    "low": SweepSettings(1e8, 2e8, 3, -10.0, 1e3),
    "high": SweepSettings(1e9, 2e9, 3, -10.0, 1e3),
}
PROCEDURES = [find_procedure(name) for name in procedure_names()]
SHORT = {"overnight": {"every": "10 min", "lasting": "3 h"}}


class WithRf(StandIn):
    """A source that somebody left on, and the person who changes the connections; `is_meddled`
    with, it is switched on at its front panel as soon as RF is off after sweeps."""

    def __init__(self, says=(), *, is_meddled=False):
        super().__init__()
        self.is_on, self.is_meddled = True, is_meddled
        self.changes, self.has_swept = [], False
        self.says = list(says)

    def rf_on(self):
        self.is_on = True

    def rf_off(self):
        self.is_on = self.is_meddled and self.has_swept
        self.has_swept = False

    make_safe = recover = rf_off

    def sweep(self):
        assert self.is_on
        self.has_swept = True
        return super().sweep()

    def connect_through(self, *, again):
        self._change("through")

    def connect_item(self, item, insertion, of):
        self._change(item)

    def _change(self, what):
        self.changes.append((what, self.is_on))
        if self.says and (command := self.says.pop(0)):
            raise Asked(command)


class Doubtful:
    """A sitting on two items that never pass, and that looks at the zero after each."""

    def __init__(self, serials, file):
        self.serials, self.file = list(serials), file

    def next_item(self):
        return Wanted(self.serials.pop(0)) if self.serials else None

    def trials(self, operators, repeats):
        return self.next_item

    def begin(self, wanted, zero):
        return self.file

    def is_doubtful(self, file):
        return True

    def finish(self, file):
        return ItemOutcome(is_surprising=True)

    def give_up(self, file, why): ...

    def zero_checked(self, before, after, since): ...

    def check_left_out(self, command, since): ...

    def say(self, text): ...


def carried_out(procedure, world):
    """On the bench that the procedure is for."""
    if procedure.takes_lots:
        sitting = Doubtful(["A-1", "A-2"], world)
        world.wanted = Wanted("A-1")
        procedure.function(LotBench(world.equipment(), BANDS, sitting))
    else:
        bench = Bench(world.equipment(), "X", BANDS)
        procedure.function(bench, **SHORT.get(procedure.name, {}))
        bench.rf_off()
    return world


def changed_with_rf_off(world):
    """Through and items were connected, and RF was never on when they were."""
    return len({what for what, _ in world.changes}) > 1 and not any(on for _, on in world.changes)


@pytest.mark.parametrize("procedure", PROCEDURES, ids=procedure_names())
def test_rf_is_off_before_every_change_of_a_connection(procedure):
    assert changed_with_rf_off(carried_out(procedure, WithRf(is_meddled=True)))


@pytest.mark.parametrize("procedure", PROCEDURES, ids=procedure_names())
def test_rf_is_off_after_every_sweep_and_in_the_end(procedure):
    world = carried_out(procedure, WithRf())
    assert changed_with_rf_off(world)
    assert not world.is_on


@pytest.mark.parametrize("command", OperatorCommand)
@pytest.mark.parametrize("place", range(1, 5))
def test_rf_is_off_whatever_the_operator_asks_for_instead(command, place):
    """At one change of the connections the operator wants something else."""
    world = WithRf([*[None] * place, command], is_meddled=True)
    carried_out(find_procedure("spot-check"), world)
    assert len(world.changes) > place
    assert changed_with_rf_off(world)


def test_rf_is_off_where_a_stopped_run_goes_on():
    """The zero is checked and the item inserted once more, which the procedure did not ask for."""
    kept = {(band, "normalization", 0): 4 for band in BANDS}
    kept |= {(band, "insertions", number): 4 for band in BANDS for number in range(2)}
    world = WithRf(is_meddled=True)
    find_procedure("qualify").function(
        Bench(world.equipment(), "X", BANDS, Replay(BANDS, kept, ()))
    )
    assert world.changes == [(what, False) for what in ("through", "X", "X", "X", "through")]


class MeddledPlace(Place):
    """Whoever changes a connection there makes sure that RF is off; it is switched on at first, and
    as soon as it is off after sweeps."""

    def __init__(self, does, sure):
        super().__init__(does, sure)
        self.rf, self.has_swept = True, False
        self.wanted = Wanted(PIG)

    def rf_off(self):
        self.rf, self.has_swept = self.has_swept, False

    def sweep(self):
        self.has_swept = True
        return super().sweep()


@pytest.mark.parametrize("may_ask", [True, False])
@pytest.mark.parametrize("does", [["through", FORGETS], ["through", PIG, FORGETS]])
def test_rf_is_off_where_a_connection_is_doubted_and_made_anew(does, may_ask):
    """Whoever is asked about the item or the zero may change the connection; on both benches."""
    place, lot = (MeddledPlace(does, [False] if may_ask else []) for _ in range(2))
    measure(place, insertions=1, may_ask=may_ask)
    bench = LotBench(lot.equipment(may_ask=may_ask), SETTINGS, Doubtful([PIG], lot))
    bench.normalize(2)
    for _ in bench.items_by_serial():
        for _ in bench.insertions(1):
            bench.sweep(2)
        bench.check_normalization(2)
    bench.close()
    for each in (place, lot):
        assert len(each.asked) == may_ask
        assert any("anew" in text for text in each.said) is not may_ask


def test_nobody_is_asked_to_touch_a_connection_while_rf_may_be_on():
    """The source answers neither the command nor a fresh start."""

    def fail():
        raise LinkError("nobody answers")

    for procedure in PROCEDURES:
        world = WithRf()
        world.rf_off = world.recover = fail
        with pytest.raises(LinkError, match="nobody answers"):
            carried_out(procedure, world)
        assert world.changes == []
