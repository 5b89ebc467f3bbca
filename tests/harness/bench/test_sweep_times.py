"""The age of the zero: what the live bench says and what the report says cannot contradict."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.analysis.loss.band import BandReadings
from harness.analysis.loss.drift import zero_marks
from harness.analysis.loss.reduction import reduced
from harness.analysis.loss.zero_limits import age_mark
from harness.bench.sweep_times import SweepTimes
from tests.harness.analysis.loss.contribution_bench import stated

GRID = np.array([1e9, 2e9])


def of_report(steps, oldest_s):
    """The marks of the report on the age of the zero, from readings that all say the same."""
    rows = {"normalization": ([], []), "insertions": ([], [])}
    for kind, index, times in steps:
        rows[kind][0].extend(times)
        rows[kind][1].extend([index] * len(times))
    columns = []
    for times, indices in rows.values():
        readings = np.full((len(times), 1, len(GRID)), 0.5, complex)
        columns += [readings, np.array(times), np.array(indices)]
    found = reduced(BandReadings(GRID, ("transmission",), *columns)).found
    return zero_marks(found, None, stated(len(GRID), oldest_zero_s=oldest_s), GRID)


@st.composite
def campaigns(draw):
    """Makings and insertions in any order, the through first, each with a few sweeps."""
    kinds = ["normalization", *draw(st.lists(st.sampled_from(["normalization", "insertions"]),
                                             max_size=8)), "insertions"]  # fmt: skip
    time, steps = 0.0, []
    for place, kind in enumerate(kinds):
        times = []
        for gap_s in draw(st.lists(st.floats(1.0, 4000.0), min_size=1, max_size=3)):
            time += gap_s
            times.append(time)
        steps.append((kind, kinds[:place].count(kind), times))
    return steps


@settings(deadline=None)
@given(campaigns(), st.floats(100.0, 10000.0))
def test_what_is_said_after_the_last_sweep_is_what_the_report_says(steps, oldest_s):
    live = SweepTimes()
    for kind, index, times in steps:
        live.add("b", kind, index, times)
    assert of_report(steps, oldest_s) == tuple(filter(None, [live.age_mark(oldest_s)]))


@settings(deadline=None)
@given(campaigns(), st.floats(100.0, 10000.0))
def test_what_is_said_once_stays_true(steps, oldest_s):
    """Sweep by sweep: whatever comes after it, the report marks the run too."""
    live, said = SweepTimes(), ""
    for kind, index, times in steps:
        for time in times:
            live.add("b", kind, index, [time])
            said = said or live.age_mark(oldest_s)
    assert bool(said) == bool(of_report(steps, oldest_s))


def test_a_run_that_goes_on_counts_what_was_kept():
    kept = {("b", "normalization", 0): (100.0, 4), ("b", "insertions", 0): (200.0, 2)}
    times = SweepTimes(kept)
    times.add("b", "insertions", 0, [800.0, 800.0])
    assert times.mean("b", "insertions").tolist() == [500.0]
    times.add("b", "insertions", 1, [4000.0])
    assert times.age_mark(3600.0).startswith("From insertion 2 on the zero was up to 1.1 h old")
    assert times.age_mark(None) == "" == SweepTimes().age_mark(1.0)


def test_before_the_first_check_the_zero_is_as_old_as_it_comes_late():
    assert "1.0 h old" in age_mark(np.array([3600.0]), np.array([0.0]), 60.0)
