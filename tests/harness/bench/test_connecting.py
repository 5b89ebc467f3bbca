"""Lies at the bench: what is asked, what is set aside, and what has no verdict.

Both benches have connections made and swept by `join_leads` and `sweep_insertion`; the sweeps here
are those of the simulated bench's physics, without instruments.
"""

from contextlib import nullcontext
from functools import partial

import numpy as np
import pytest

from drivers.sweep import S_PARAMETERS, Sweep, SweepSettings
from harness.analysis.likeness.reads_like import Likeness
from harness.analysis.likeness.zero_level import ForeseenZero
from harness.bench.bench import Bench
from harness.bench.connecting import join_leads, sweep_insertion
from harness.bench.connection_judge import ConnectionJudge
from harness.bench.equipment import Equipment
from harness.bench.replay import Replay
from harness.bench.sweeping import Sweeping
from harness.bench.takeover import MARK
from harness.run_file.run import DOUBT, ZERO_ANEW, Event
from tests.harness.analysis.likeness.test_likeness import PIG, STATED, foreseen
from tests.harness.analysis.likeness.worlds import BANDS, World

BAND = "backhaul-5600"
SETTINGS = {BAND: SweepSettings(*BANDS[BAND], 21, -10.0, 1e3)}
FORGETS = object()
"""In place of what is connected: nothing is done."""


class Place:
    """Source, hands, journal and display in one: what is connected is what `does` says, in turn,
    and after that what is asked for."""

    traces = S_PARAMETERS

    def __init__(self, does=(), sure=(), seed=4, foreseen_zeros=()):
        self.world = World(seed, bands=(BAND,))
        self.foreseen_zeros = foreseen_zeros
        self.does = list(does)
        self.sure = list(sure)
        self.rows, self.events, self.said, self.asked = [], [], [], []
        self.rf = False
        self.needs_a_person = bool(sure)

    def equipment(self, *, may_ask):
        judge = ConnectionJudge(
            STATED,
            lambda name: foreseen(PIG, self.world),
            lambda apart_s: 0.1,
            foreseen_zeros=self.foreseen_zeros,
        )
        return Equipment(
            source=self, exchange=self, journal=self, progress=self, clock=self.clock,
            unbroken=nullcontext, floor_db=-140.0, judge=judge,
            is_sure=self.is_sure if may_ask else None,
        )  # fmt: skip

    def clock(self):
        return self.world.bench.elapsed_s

    def _connect(self, asked_for):
        assert not self.rf
        done = self.does.pop(0) if self.does else asked_for
        if done is not FORGETS:
            self.world.bench.connect(done)

    def connect_through(self, *, again):
        self._connect("through")

    def connect_item(self, item, insertion, of):
        self._connect(item)

    def is_sure(self, doubt, item):
        assert not self.rf
        self.asked.append(doubt)
        if self.sure.pop(0):
            return True
        self._connect(item or "through")
        return False

    def finish(self): ...

    def configure(self, settings): ...

    def sweep(self):
        assert self.rf
        made = self.world.swept_once(BAND)
        grid = self.world.grids[BAND]
        return Sweep(grid, S_PARAMETERS, made, self.clock())

    def rf_on(self):
        self.rf = True

    def rf_off(self):
        self.rf = False

    def recover(self): ...

    def confirm(self): ...

    def make_safe(self):
        self.rf = False

    def append(self, band, kind, index, sweep, *, is_suspect=False):
        self.rows.append([kind, index, is_suspect])

    def mark_suspect(self, band, kind, first):
        for row in [row for row in self.rows if row[0] == kind][first:]:
            row[2] = True

    def event(self, event):
        self.events.append(event)

    def temperature(self, time, temperature_c): ...

    def doing(self, what): ...

    def at(self, place): ...

    def sweep_done(self): ...

    def sweeps_again(self, count): ...

    def say(self, text):
        self.said.append(text)

    def good(self, kind):
        return [index for of, index, is_suspect in self.rows if of == kind and not is_suspect]

    def doubts(self):
        return [event.text for event in self.events if event.kind == DOUBT]


def measure(place, *, insertions=2, may_ask=True):
    """As the Bench does it: the through, insertions, the through again."""
    bench = Bench(place.equipment(may_ask=may_ask), PIG, SETTINGS)
    bench.normalize(2)
    for _ in bench.insertions(insertions):
        bench.sweep(2)
    bench.check_normalization(2)
    bench.rf_off()
    bench.close()
    return place


def test_honest_work_is_not_bothered():
    place = measure(Place(sure=["never asked"]), insertions=3)
    assert place.asked == place.said == place.doubts() == []
    assert place.good("insertions") == [0, 0, 1, 1, 2, 2]
    assert place.good("normalization") == [0, 0, 1, 1]


@pytest.mark.parametrize(
    ("does", "says"),
    [
        (["through", FORGETS], "reads like the joined leads"),
        (["through", "through"], "reads like the joined leads"),
        (["through", PIG, FORGETS], "same connection as last time"),
        (["through", "FDR-0012"], "another item"),
        (["through", ""], "open leads"),
    ],
    ids=["forgotten", "joined again", "not undone", "another", "open"],
)
def test_a_lie_is_asked_about_once_and_persisting_in_it_has_no_verdict(does, says):
    lie = does[-1]
    honest = measure(Place([*does, PIG], sure=[False]), insertions=len(does) - 1)
    assert len(honest.asked) == 1
    assert says in honest.asked[0]
    assert honest.doubts() == []
    assert len(honest.good("insertions")) == 2 * (len(does) - 1)
    # what was doubted is kept, and does not count
    assert sum(row[2] for row in honest.rows) == 2
    again = measure(Place([*does, lie], sure=[False]), insertions=len(does) - 1)
    assert len(again.asked) == 1
    assert says in again.doubts()[0]


def test_normalized_with_the_item_in_place_nothing_gets_a_verdict():
    """Connecting the item anew does not mend the zero, and the check shows that it was false."""
    place = measure(Place([PIG], sure=[False, False]), insertions=1)
    assert "something was between the leads while normalizing" in place.asked[0]
    assert "the zero is wrong" in place.doubts()[0]
    assert "Was something between the leads while normalizing?" in place.doubts()[1]


def foreseen_zero(likeness, off_db=0.0, sittings=0):
    level_db = World(4, bands=(BAND,)).connects("through")[BAND].level_db
    return {BAND: ForeseenZero(float(np.mean(level_db)) + off_db, 0.2, likeness, sittings)}


SIX_SITTINGS = foreseen_zero(Likeness.UNLIKE_EARLIER, sittings=6)


def test_an_item_in_place_while_normalizing_is_asked_about_before_anything_is_measured():
    """Once; taken out then, all is well, and how the zero compares is kept. Left in, nothing gets
    a verdict, whoever is there."""
    honest = measure(Place([PIG], sure=[False], foreseen_zeros=[SIX_SITTINGS]), insertions=1)
    (asked,) = honest.asked
    assert asked.startswith("Is an item still in, or a lead loose?")
    assert "dB more than in the 6 sittings before" in asked
    assert honest.doubts() == []
    assert sum(row[2] for row in honest.rows) == 2
    compared = [e.text for e in honest.events if e.text.startswith("the joined leads lose")]
    assert len(compared) == 1
    left_in = Place([PIG, FORGETS], sure=[False] * 3, foreseen_zeros=[SIX_SITTINGS])
    assert "in the 6 sittings before" in measure(left_in, insertions=1).doubts()[0]
    alone = measure(Place([PIG, PIG], foreseen_zeros=[SIX_SITTINGS]), insertions=1, may_ask=False)
    assert "in the 6 sittings before" in alone.doubts()[0]


def test_an_honest_zero_is_not_asked_about():
    place = measure(Place(sure=["never asked"], foreseen_zeros=[SIX_SITTINGS]), insertions=1)
    assert place.asked == place.doubts() == []


@pytest.mark.parametrize(
    ("likeness", "is_anew"), [(Likeness.UNLIKE_EARLIER, True), (Likeness.UNLIKE_STATED, False)]
)
def test_other_leads_are_believed_where_somebody_is_sure(likeness, is_anew):
    """Zeros before that count no more; what is stated stays stated."""
    foreseen_zeros = [foreseen_zero(likeness, off_db=-3.0)]
    place = measure(Place(sure=[True], foreseen_zeros=foreseen_zeros), insertions=1)
    assert place.asked[0].startswith("Is a pad left out, or are these other leads than before?")
    assert place.doubts() == []
    assert any(event.kind == ZERO_ANEW for event in place.events) is is_anew


@pytest.mark.parametrize("persists", [False, True])
def test_where_nobody_can_be_asked_it_is_connected_anew_once(persists):
    does = ["through", FORGETS, *([FORGETS] if persists else [])]
    place = measure(Place(does), insertions=1, may_ask=False)
    assert place.asked == []
    assert "It is connected anew." in place.said[0]
    assert bool(place.doubts()) is persists
    assert place.good("insertions") == [0, 0]


def test_who_is_sure_is_believed_and_that_is_kept():
    place = measure(Place(["through", "FDR-0012", "FDR-0012"], sure=[True]))
    assert len(place.asked) == 1
    assert place.doubts() == []
    assert any("says that it is as it should be" in event.text for event in place.events)


def test_an_item_left_in_at_the_check_is_no_zero():
    place = measure(Place(["through", PIG, FORGETS], sure=[False]), insertions=1)
    assert place.asked[0].startswith("Is the item still in?")
    assert place.doubts() == []
    assert place.good("normalization") == [0, 0, 1, 1]
    persists = measure(Place(["through", PIG, *[FORGETS] * 3], sure=[False]), insertions=1)
    assert persists.doubts()[0].startswith("Is the item still in?")


def test_a_zero_that_moved_is_joined_again_before_it_counts():
    """Once: the first making is set aside. Twice alike: the zero did move, and nothing passes by
    it; where others see to that it is adopted."""
    once = measure(Place(["through", PIG, "JMP-0107"], sure=[False]), insertions=1)
    assert once.doubts() == []
    twice = Place()
    sweeping = Sweeping(twice.equipment(may_ask=False), SETTINGS)
    join = partial(join_leads, sweeping, 0, 2, "joining", "again", again=True)
    for is_told in (True, False):
        join(is_told_by_bench=is_told)
        twice.world.loss_db = (twice.world.loss_db or 0.0) + 0.3
        join(is_told_by_bench=is_told)
        assert len(twice.doubts()) == 1
    join()
    assert len(twice.doubts()) == 1


def test_what_was_not_settled_at_a_stop_is_not_reused():
    """A mark stands before the first sweep of an insertion, another once it is believed."""
    place = measure(Place(sure=[False]), insertions=1)
    marks = [event.text for event in place.events if event.kind == MARK]
    assert marks == [
        '{"unjudged": 0}', '{"judged": 0}', '{"unsettled": 0}', '{"settled": 0}',
        '{"unjudged": 1}', '{"judged": 1}',
    ]  # fmt: skip
    counts = {(BAND, "normalization", 0): 2, (BAND, "insertions", 0): 2}
    begun, settled = (Event(1.0, MARK, text) for text in marks[2:4])
    for events, is_kept in (((begun,), False), ((begun, settled), True)):
        past = Replay((BAND,), counts, events)
        assert past.has_making(2)
        past.begin_insertion()
        assert past.has_sweeps(2) is is_kept
        if not is_kept:
            takeover = past.take_over()
            assert takeover.is_unsettled
            assert takeover.broken_insertion == 0


def test_a_zero_that_nobody_judged_before_a_stop_is_made_again():
    """All its sweeps are there, but whether they are of joined leads was still to be seen."""
    counts = {
        (BAND, "normalization", 0): 2, (BAND, "insertions", 0): 2, (BAND, "normalization", 1): 2,
    }  # fmt: skip
    begun, judged = (Event(1.0, MARK, text) for text in ('{"unjudged": 1}', '{"judged": 1}'))
    for events, is_kept in (((begun,), False), ((begun, judged), True)):
        past = Replay((BAND,), counts, events)
        assert past.has_making(2)
        past.begin_insertion()
        assert past.has_sweeps(2)
        assert past.has_making(2) is is_kept
        if not is_kept:
            takeover = past.take_over()
            assert (takeover.unjudged_making, takeover.broken_making, takeover.making) == (1, 1, 2)
            assert takeover.reference == {BAND: 0}


def test_the_item_before_is_not_judged_under_the_next_serial():
    """As at the production bench: one sitting, one judge, a journal for each item."""
    place = Place(sure=[False, False])
    sweeping = Sweeping(place.equipment(may_ask=True), SETTINGS)
    join_leads(sweeping, 0, 2, "joining", "again", again=False)
    place.world.bench.connect("PIG-0451")
    sweep_insertion(sweeping, "A-1", 0, 2, lambda: None)
    place.does = [FORGETS]
    sweep_insertion(sweeping, "A-2", 0, 2, lambda: None)
    assert "same connection as that of A-1, the item before" in place.asked[0]
    assert "same connection as that of A-1" in place.doubts()[0]
    assert np.all([row[2] for row in place.rows[4:6]])
