"""A run stopped anywhere, as often as one likes, and gone on with: every step of the procedure is
whole in the end, nothing that is kept is swept again, and what was broken off is told."""

import json
from collections import Counter
from contextlib import nullcontext
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.errors import InputError, ZeroMovedError
from drivers.sweep import S_PARAMETERS, Sweep, SweepSettings
from harness.bench.bench import Bench
from harness.bench.equipment import Equipment
from harness.bench.rehearsal import StandIn, rehearse
from harness.bench.replay import Replay
from harness.bench.takeover import MARK, SCHEDULE, SCHEDULE_END
from procedures.overnight import overnight
from procedures.qualify import qualify

BANDS = {
    "low": SweepSettings(1e8, 2e8, 3, -10.0, 1e3),
    "high": SweepSettings(1e9, 2e9, 3, -10.0, 1e3),
}
READINGS = np.full((4, 3), 0.9, complex)


class Killed(BaseException):
    """What ends a process that is killed: nobody catches it."""


class Kept:
    """What would be on the disk; the process is killed when so many rows or events have come."""

    def __init__(self):
        self.sweeps, self.events, self.left = [], [], None

    def append(self, band, kind, index, sweep, *, is_suspect=False):
        self._one_more()
        self.sweeps.append((band, kind, index, sweep.time, is_suspect))

    def mark_suspect(self, band, kind, first):
        rows = [n for n, row in enumerate(self.sweeps) if row[:2] == (band, kind)]
        for row in rows[first:]:
            self.sweeps[row] = (*self.sweeps[row][:4], True)

    def event(self, event):
        self._one_more()
        self.events.append(event)

    def temperature(self, time, temperature_c): ...

    def _one_more(self):
        if self.left is not None:
            self.left -= 1
            if self.left < 0:
                raise Killed

    def counts(self):
        return Counter(row[:3] for row in self.sweeps if not row[4])

    def rows(self):
        return Counter(row[:2] for row in self.sweeps)

    def first_rows(self, kind, number):
        found = {}
        for band in BANDS:
            numbers = [row[2] for row in self.sweeps if row[:2] == (band, kind)]
            if number in numbers:
                found[band, kind] = numbers.index(number)
        return found

    def past(self):
        """As `resume` reads it from a file."""
        joined, swept = (
            max((row[3] for row in self.sweeps if row[1] == kind), default=-1)
            for kind in ("normalization", "insertions")
        )
        return Replay(BANDS, self.counts(), tuple(self.events), joined, swept)


class World(StandIn):
    """A bench on which a sweep and a connection take their time; a new one after every kill."""

    def __init__(self, kept, now):
        super().__init__(now)
        self.kept, self.made, self.asked = kept, 0, []

    def sweep(self):
        self.made += 1
        self._now += 1.0
        return Sweep(super().sweep().frequency_hz, S_PARAMETERS, READINGS, self._now)

    def connect_item(self, item, insertion, of):
        self.asked.append(f"{insertion} of {of}")
        self._now += 10.0

    def connect_through(self, *, again):
        self.asked.append("again" if again else "join")
        self._now += 10.0


def judge(takeover, *, is_extra):
    return f"zero compared with {takeover.reference}"


def process(kept, procedure, now=0.0, judge=judge):
    """A process that carries the procedure out, or goes on with it; whether it came to its end."""
    has_past = bool(kept.sweeps or kept.events)
    going_on = None
    if has_past:
        going_on = SimpleNamespace(
            rows=kept.rows(), times={}, judge=judge, first_rows=kept.first_rows
        )
    world = World(kept, now)
    equipment = Equipment(
        source=world, exchange=world, journal=kept, progress=world, clock=world.now,
        unbroken=nullcontext, floor_db=-200.0, has_readings=False, wait_until=world.wait_until,
    )  # fmt: skip
    past = kept.past() if has_past else None
    if past is not None:
        wanted = rehearse(procedure, "X", BANDS, StandIn(now), kept.past())
    bench = Bench(equipment, "X", BANDS, past, going_on)
    try:
        procedure(bench)
        bench.rf_off()
    except Killed:
        return world, False
    if past is not None and kept.left is None:
        assert wanted.sweeps == world.made or any(e.kind == SCHEDULE for e in kept.events)
    return world, True


def carried_out(procedure, kills):
    """What is kept in the end, where each process but the last is killed after so many rows."""
    kept, now = Kept(), 0.0
    for left in [*kills, None]:
        kept.left = left
        world, is_done = process(kept, procedure, now)
        now = world.now()
        if is_done:
            break
    assert is_done
    return kept, now


def marks(kept):
    """Numbers of extra makings, broken makings and broken insertions, as the marks tell them."""
    read = [json.loads(event.text) for event in kept.events if event.kind == MARK]
    extra = {mark["checked_by"] for mark in read if mark.get("is_extra")}
    makings = {mark["broken_making"] for mark in read if "broken_making" in mark}
    return extra, makings, {m["broken_insertion"] for m in read if "broken_insertion" in m}


def whole(kept, kind, left_out):
    """Sweeps of each band, by number, of what is the procedure's own and was not broken off."""
    found = {}
    for (band, of, index), count in kept.counts().items():
        if of == kind and index not in left_out:
            found.setdefault(index, {})[band] = count
    return [found[index] for index in sorted(found)]


KILLS = st.lists(st.integers(0, 60), max_size=6)


@settings(max_examples=150)
@given(
    kills=KILLS, insertions=st.integers(1, 4), sweeps=st.integers(1, 3),
    makings=st.integers(1, 2), check_every=st.integers(0, 2),
)  # fmt: skip
def test_every_step_is_whole_in_the_end(kills, insertions, sweeps, makings, check_every):
    kept, _ = carried_out(
        lambda bench: qualify(bench, insertions, sweeps, makings, check_every), kills
    )
    extra, broken_makings, broken_insertions = marks(kept)
    checks = 2 + ((insertions - 1) // check_every if check_every else 0)
    own = whole(kept, "normalization", extra | broken_makings)
    assert own == checks * makings * [{"low": 4, "high": 4}]
    assert whole(kept, "insertions", broken_insertions) == insertions * [
        {"low": sweeps, "high": sweeps}
    ]
    # what an extra making is for: it was whole before any sweep of the item that follows it
    times = [row[3] for row in kept.sweeps]
    assert times == sorted(times)


@settings(max_examples=100)
@given(kills=KILLS, check_every=st.sampled_from(["", "5 min", "1 h"]), asleep=st.integers(0, 40))
def test_a_schedule_goes_on_to_its_own_end(kills, check_every, asleep):
    """The ticks that nobody made are told, and those that were made are on time."""

    def procedure(bench):
        overnight(bench, "1 min", "20 min", check_every)

    kept, now = Kept(), 0.0
    for left in [*kills, None]:
        kept.left = left
        world, is_done = process(kept, procedure, now)
        if is_done:
            break
        now = world.now() + 60.0 * asleep
    (begun,) = [json.loads(e.text) for e in kept.events if e.kind == SCHEDULE]
    (ended,) = [json.loads(e.text) for e in kept.events if e.kind == SCHEDULE_END]
    extra, broken, _ = marks(kept)
    own = whole(kept, "normalization", extra | broken)
    assert own[0] == own[-1] == {"low": 4, "high": 4}
    closing = whole(kept, "normalization", extra | broken | set(range(ended["making"])))
    assert closing == [{"low": 4, "high": 4}]
    swept = [row[3] for row in kept.sweeps if row[:2] == ("low", "insertions")]
    ticks = [int((time - begun["start"]) // 60.0) for time in swept]
    # a sweep that begins late, at the end of its interval, ends in the next one
    assert len(ticks) - len(set(ticks)) <= len(kills)
    assert set(ticks) <= set(range(21))
    missed = sum(int(e.text.split()[0]) for e in kept.events if e.kind == "missed")
    # a tick whose first sweep the kill prevented is neither made nor, where it comes again, missed
    assert 20 - len(kills) <= len(ticks) + missed <= 20 + len(kills)
    if not kills:
        assert swept == [begun["start"] + 60.0 * k + 1.0 for k in range(20)]


def stopped_after(rows, procedure=qualify):
    kept = Kept()
    kept.left = rows
    process(kept, procedure)
    kept.left = None
    return kept


def fewer(bench):
    bench.normalize()
    for _ in bench.insertions(1):
        bench.sweep(4)
    bench.check_normalization()


def other_order(bench):
    bench.normalize()
    bench.check_normalization()
    for _ in bench.insertions(5):
        bench.sweep(4)


def fewer_sweeps(bench):
    bench.normalize(3)
    for _ in bench.insertions(5):
        bench.sweep(4)


def sweeps_apart(bench):
    bench.normalize()
    for _ in bench.insertions(5):
        bench.sweep(2)
    bench.check_normalization()


@pytest.mark.parametrize("changed", [fewer, other_order, fewer_sweeps, sweeps_apart, overnight])
def test_a_procedure_that_does_not_match_what_is_kept_is_refused(changed):
    kept = stopped_after(40)
    with pytest.raises(InputError, match="not the one that this run was made with"):
        process(kept, changed)


@pytest.mark.parametrize(
    ("kept_sweeps", "asked"),
    [
        (3, ["again", "1 of 2", "2 of 2", "again"]),
        (12, ["again", "1 of 2", "2 of 2", "again"]),
        (17, ["again", "2 of 2", "again"]),
        (30, ["again"]),
        (32, []),
    ],
)
def test_only_what_must_be_connected_is_asked_for(kept_sweeps, asked):
    """Two insertions: 8 sweeps of the through, 8 and 8 of the item, 8 of the through."""
    for rows in range(100):
        kept = stopped_after(rows, two_insertions)
        if len(kept.sweeps) == kept_sweeps:
            break
    world, is_done = process(kept, two_insertions)
    assert is_done
    assert world.asked == asked


def two_insertions(bench):
    qualify(bench, 2)


def in_two_steps(bench):
    bench.normalize()
    bench.note("only once")
    for _ in bench.insertions(2):
        bench.sweep(2)
        bench.sweep(3)
    bench.check_normalization()


@pytest.mark.parametrize("rows", range(8, 34))
def test_steps_of_one_insertion_are_kept_apart(rows):
    """What was whole is not done again; the broken step is, with all that follows it."""
    kept = stopped_after(rows, in_two_steps)
    process(kept, in_two_steps)
    _, _, broken = marks(kept)
    own = whole(kept, "insertions", broken)
    assert len(own) == 2
    assert all(part in ({"low": 5, "high": 5}, {"low": 3, "high": 3}) for part in own)
    assert sum(event.text == "only once" for event in kept.events) == 1


def test_a_zero_that_has_moved_is_kept_marked_and_asked_about_again():
    kept = stopped_after(20)

    def moved(takeover, *, is_extra):
        raise ZeroMovedError("the zero has moved")

    for _ in range(2):
        with pytest.raises(ZeroMovedError):
            process(kept, qualify, judge=moved)
    suspect = [row[2] for row in kept.sweeps if row[4]]
    assert suspect == 8 * [1] + 8 * [2]
    references = []

    def found(takeover, *, is_extra):
        references.append(takeover.reference)
        return "in order"

    process(kept, qualify, judge=found)
    assert references == [{"low": 0, "high": 0}]
