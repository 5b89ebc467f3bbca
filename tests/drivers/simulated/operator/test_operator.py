"""The simulated operator: what sweeps meet while somebody exchanges what is between the leads."""

from collections import Counter

import numpy as np
import pytest

from drivers.errors import InputError
from drivers.instruments.hand import Hand
from drivers.link.link import Link
from drivers.simulated.operator.operator_plan import DONE, End, OperatorPlan
from drivers.simulated.operator.simulated_operator import SimulatedOperator
from drivers.simulated.physics.simulated_bench import NOTHING, THROUGH, SimulatedBench

BOTH_OPEN = (End.OPEN, End.OPEN)
FREQUENCY_HZ = np.linspace(2.4e9, 2.4835e9, 5)
PORT_F = 1e-13
EVERY_S = 0.25
LONGEST_S = 600.0
PERFECT = {"fumble_share": 0.0, "one_end_share": 0.0, "loose_share": 0.0}
ITEM = "PIG-0451"
OPEN_DB = -100.0


class Watched:
    """A bench with an operator, and what quick sweeps find while time passes."""

    def __init__(self, description, **options):
        self.bench = SimulatedBench(description, **options)
        self.operator = SimulatedOperator(self.bench, description.operator)

    def scattering(self):
        self.bench.new_sweep()
        return self.bench.path(FREQUENCY_HZ, PORT_F, PORT_F)

    def level_db(self):
        with np.errstate(divide="ignore"):
            return max(20.0 * np.log10(np.abs(self.scattering()[:, 1, 0]).mean()), -200.0)

    def until_done(self):
        """(doing, ends, level) of every sweep until the hands rest."""
        seen = []
        end_s = self.bench.elapsed_s + LONGEST_S
        while not seen or seen[-1][0] != DONE:
            self.bench.pass_time(EVERY_S)
            level_db = self.level_db()
            seen.append((self.operator.doing, self.operator.ends, level_db))
            assert self.bench.elapsed_s < end_s
        return seen


@pytest.fixture
def description(rig):
    """The starting bench; its operator is as the arguments say."""

    def described(**operator):
        return rig({"operator": operator}).description

    return described


def test_a_good_exchange_ends_as_the_hand_would_have_made_it(description):
    """The level falls to the floor, comes back, and settles where the same making has it."""
    table = description(**PERFECT)
    slow, quick = Watched(table), Watched(table)
    for watched in (slow, quick):
        watched.bench.connect(THROUGH)
    before_db = slow.level_db()
    slow.operator.exchange(ITEM)
    assert slow.level_db() == before_db  # the hands have not begun
    seen = slow.until_done()
    assert [end for _, ends, _ in seen[-1:] for end in ends] == [End.TIGHT, End.TIGHT]
    levels_db = np.array([level_db for *_, level_db in seen])
    assert np.min(levels_db) < OPEN_DB
    quick.bench.connect(ITEM)
    assert levels_db[-1] == quick.level_db()
    both_touch = [End.OPEN not in ends for _, ends, _ in seen]
    assert np.array_equal(levels_db > OPEN_DB, both_touch)


def test_one_end_alone_shows_in_its_reflection(description):
    """An item that hangs on one lead: that lead sees its length, the other one only its pad."""
    watched = Watched(description(one_end_share=1.0, fumble_share=0.0))
    open_leads = watched.scattering().copy()
    watched.operator.exchange(ITEM)
    ends = watched.until_done()[-1][1]
    assert sorted(end.value for end in ends) == ["open", "tight"]
    s = watched.scattering()
    side = ends.index(End.TIGHT)
    assert watched.level_db() < OPEN_DB
    moved = np.abs(s - open_leads).max(axis=0)
    assert moved[side, side] > 1e-3
    # it was moved too, and lies otherwise
    assert moved[1 - side, 1 - side] < 0.1 * moved[side, side]
    watched.operator.tighten()
    assert watched.until_done()[-1][1] == (End.TIGHT, End.TIGHT)
    assert watched.level_db() > OPEN_DB


def test_a_loose_nut_wobbles_and_costs_until_it_is_tightened(description):
    watched = Watched(description(loose_share=1.0, fumble_share=0.0, one_end_share=0.0))
    watched.operator.exchange(ITEM)
    assert End.LOOSE in watched.until_done()[-1][1]
    loose_db = [watched.level_db() for _ in range(30)]
    assert np.std(loose_db) > 0.02
    watched.operator.tighten()
    watched.until_done()
    tight_db = [watched.level_db() for _ in range(30)]
    assert np.ptp(tight_db) == 0.0
    assert np.mean(tight_db) - np.mean(loose_db) > 0.1


def test_contacts_bounce_before_they_stay(description):
    watched = Watched(description(**PERFECT, bounces=12, bounce_time="1 s"))
    watched.operator.exchange(THROUGH)
    levels_db = np.array([level_db for *_, level_db in watched.until_done()])
    changes = np.diff((levels_db > OPEN_DB).astype(int))
    assert np.count_nonzero(changes) > 5


def test_leads_that_join_directly_have_one_connection(rig):
    table = rig({"operator": PERFECT, "through": {"parts": []}}).description
    watched = Watched(table)
    watched.operator.exchange(THROUGH)
    seen = watched.until_done()
    for _, ends, level_db in seen:
        assert (level_db > OPEN_DB) == (End.OPEN not in ends)


def test_shares_are_as_described(description):
    """Of 600 exchanges; within four standard deviations of a binomial share."""
    table = description(fumble_share=0.2, one_end_share=0.1, loose_share=0.3).operator
    found, count = Counter(), 600
    for seed in range(count):
        plan = OperatorPlan(table, np.random.default_rng(seed), 0.0, NOTHING, BOTH_OPEN).exchange(
            ITEM
        )
        last = plan.stages[-1].ends
        found["open"] += End.OPEN in last
        found["loose"] += End.LOOSE in last
        found["fumble"] += any(stage.doing == "fumbling" for stage in plan.stages)
        times_s = [stage.begin_s for stage in plan.stages]
        assert times_s == sorted(times_s)
        assert plan.stages[-1].doing == DONE
    for what, share in (("open", 0.1), ("loose", 0.9 * 0.3), ("fumble", 0.2)):
        deviation = np.sqrt(share * (1.0 - share) / count)
        assert found[what] / count == pytest.approx(share, abs=4.0 * deviation), what


def test_the_same_seed_gives_the_same_hands_and_another_start_others(description):
    table = description(fumble_share=0.5)

    def seen(**options):
        watched = Watched(table, **options)
        watched.operator.exchange(ITEM)
        return watched.until_done()

    assert seen() == seen()
    assert seen() != seen(start_number=2)
    assert seen() != seen(seed=21)


def test_what_is_asked_in_the_middle_goes_on_from_there(description):
    """Somebody who is called back while making a connection puts it right, or undoes it."""
    watched = Watched(description(**PERFECT))
    watched.operator.exchange(ITEM)
    while watched.operator.doing != "making":
        watched.bench.pass_time(EVERY_S)
    watched.operator.exchange(NOTHING)
    assert watched.until_done()[-1][1] == BOTH_OPEN
    assert watched.bench.connected == NOTHING
    watched.operator.tighten()
    assert watched.until_done()[-1][1] == BOTH_OPEN  # there is nothing to tighten


def test_the_hand_overrules_the_operator(description):
    watched = Watched(description(**PERFECT))
    watched.operator.exchange(ITEM)
    watched.bench.connect(THROUGH)
    level_db = watched.level_db()
    watched.bench.pass_time(LONGEST_S)
    assert watched.level_db() == level_db
    assert watched.operator.doing == DONE
    assert watched.bench.connected == THROUGH


def test_over_the_wire(start_bench):
    """The hand's commands, sweeps that read the level, and time that only waiting lets pass."""
    bench = start_bench({"[hand]": "[operator]\nfumble_share = 0\nloose_share = 0\n\n[hand]"})
    hand, analyzer = Hand(Link(bench.addresses["hand"])), Link(bench.addresses["analyzer"])
    hand.open()
    analyzer.open()
    analyzer.write("*RST;:FREQ:STAR 2.4 GHZ;STOP 2.48 GHZ;:SWE:POIN 5;:BAND 1 KHZ;:OUTP ON")

    def level_db():
        analyzer.query("INIT;*OPC?")
        pairs = np.array([float(text) for text in analyzer.query("TRAC? S21").split(",")])
        return 20.0 * np.log10(np.abs(pairs[0::2] + 1j * pairs[1::2]).mean())

    hand.connect_through()
    joined_db = level_db()
    hand.open_leads()
    assert level_db() < joined_db - 50.0
    hand.ask_for_item(ITEM)
    hand.advance_to(hand.time() + 120.0)
    assert joined_db - 5.0 < level_db() < joined_db
    hand.ask_to_tighten()
    hand.ask_for_through()
    hand.advance_to(hand.time() + 120.0)
    assert level_db() == pytest.approx(joined_db, abs=0.2)
    with pytest.raises(InputError, match="has no item 'X'"):
        hand.ask_for_item("X")
    hand.close()
    analyzer.close()
