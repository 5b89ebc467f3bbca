"""When ticks are due: never drifting, none left out in silence."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import InputError
from harness.bench.schedule import (
    FIRST_LOOK,
    FIRST_PAUSE_S,
    LONGEST_PAUSE_S,
    Schedule,
    last_missed,
    next_look,
    pauses_s,
    read_terms,
)

STARTS = st.floats(1.7e9, 1.8e9)
INTERVALS = st.floats(0.05, 5e3)


@given(
    start=STARTS, every_s=INTERVALS, count=st.integers(1, 300),
    delays=st.lists(st.floats(0.0, 4.0), min_size=1, max_size=20),
)  # fmt: skip
def test_ticks_are_on_time_or_told(start, every_s, count, delays):
    """Each tick made begins at its own time, or late by less than an interval; all others are
    counted as missed; whatever the delays."""
    schedule = Schedule(start, every_s, count * every_s)
    assert schedule.ticks == count
    now, following, made, missed = start, 0, [], 0
    while True:
        turn = schedule.turn(following, now)
        missed += turn.missed
        if turn.number is None:
            break
        due = schedule.time_of(turn.number)
        now = max(now, due)
        assert due <= now < due + every_s * (1 + 1e-6)
        made.append(turn.number)
        following = turn.number + 1
        now += every_s * delays[len(made) % len(delays)]
    assert made == sorted(set(made))
    assert len(made) + missed == count


@given(start=STARTS, every_s=INTERVALS, tick=st.integers(0, 10**6), part=st.floats(0.0, 0.999))
def test_the_tick_at_a_time_is_the_last_that_was_due(start, every_s, tick, part):
    schedule = Schedule(start, every_s, 1e12)
    found = schedule.tick_at(schedule.time_of(tick) + part * every_s)
    assert abs(found - tick) <= (1 if part > 0.99 else 0)
    assert schedule.tick_at(schedule.time_of(tick)) == tick
    assert schedule.tick_at(start - 1e-3) == -1


def test_nothing_drifts_in_a_year_of_minutes():
    """The time of a tick is a product, never a sum of rounded steps."""
    schedule = Schedule(1.79e9, 60.0, 365 * 86400.0)
    assert schedule.ticks == 525_600
    assert schedule.time_of(525_599) == 1.79e9 + 525_599 * 60.0


@pytest.mark.parametrize(("every_s", "lasting_s"), [(0.1, 0.3), (0.7, 2.1), (60.0, 28_800.0)])
def test_rounding_makes_no_further_tick(every_s, lasting_s):
    assert Schedule(0.0, every_s, lasting_s).ticks == round(lasting_s / every_s)


@given(start=STARTS, check_s=INTERVALS, after_s=st.floats(0.0, 1e5))
def test_checks_come_at_multiples_of_their_interval(start, check_s, after_s):
    schedule = Schedule(start, 1.0, 1e6)
    due = schedule.next_check(check_s, start + after_s)
    assert due > start + after_s - 1e-3
    assert due <= start + after_s + check_s + 1e-3
    assert (due - start) / check_s == pytest.approx(round((due - start) / check_s), abs=1e-3)


@given(first=st.integers(0, 10**5), count=st.integers(1, 10**4))
def test_what_is_told_of_missed_ticks_can_be_read_back(first, count):
    text = Schedule(1.79e9, 60.0, 1e9).missed_text(first, count, "the disk (3 of 4) was full")
    assert last_missed(text) == first + count - 1
    assert last_missed("5 ticks: nothing of the kind") == -1


def test_looks_grow_so_that_together_they_cost_no_more_than_in_proportion():
    """The sum of all looks, each of which costs as much as there are ticks, is linear in them."""
    looks = list(itertools.takewhile(lambda n: n <= 100_000, _repeated(next_look, next_look(0))))
    assert looks[0] == FIRST_LOOK
    assert all(later > sooner for sooner, later in itertools.pairwise(looks))
    assert sum(looks) < 12 * looks[-1]


def _repeated(function, value):
    while True:
        yield value
        value = function(value)


def test_pauses_grow_to_a_longest():
    pauses = list(itertools.islice(pauses_s(), 12))
    assert pauses[0] == FIRST_PAUSE_S
    assert pauses == sorted(pauses)
    assert pauses[-1] == LONGEST_PAUSE_S


def test_terms_are_read_with_their_units():
    terms = read_terms("30 s", "8 h", "", "50 mdB", "")
    assert (terms.every_s, terms.lasting_s, terms.until_db) == (30.0, 28_800.0, 0.05)
    assert terms.check_every_s is None
    assert terms.patience_s == 0.0


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"every": "1"}, "every: '1' has no unit"),
        ({"every": "0 s"}, "no time to wait"),
        ({"every": "-5 s"}, "no time to wait"),
        ({"lasting": "10 s"}, "no room for a tick"),
        ({"check_every": "soon"}, "check_every: 'soon'"),
        ({"check_every": "0 s"}, "no time to wait"),
        ({"until": "0 dB"}, "never reached"),
        ({"until": "5 s"}, "until: '5 s'"),
        ({"patience": "-1 s"}, "no time to wait"),
    ],
)
def test_terms_that_make_no_schedule_are_explained(wrong, says):
    right = {"every": "1 min", "lasting": "8 h", "check_every": "1 h", "until": "", "patience": ""}
    with pytest.raises(InputError, match=says):
        read_terms(**{**right, **wrong})
