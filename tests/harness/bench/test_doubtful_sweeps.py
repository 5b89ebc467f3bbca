"""What was doubted counts for nothing where a stopped run goes on: it is measured anew."""

from contextlib import nullcontext
from itertools import count
from types import SimpleNamespace

import numpy as np
import pytest

from drivers.sweep import S_PARAMETERS
from harness.bench.bench import Bench
from harness.bench.equipment import Equipment
from harness.run_file import (
    RunJournal,
    count_suspects,
    open_run,
    read_kept,
    read_making,
    read_readings,
    take_up,
)
from harness.running.resuming import read_stopped
from procedures.qualify import qualify
from tests.harness.bench.test_sanity import BAND, FLOOR_DB, GRID, HEADER, Nobody, Scripted, sweep

STEPS = (("normalization", 0, 4), ("insertions", 0, 2), ("insertions", 1, 2))
"""Kind, index and sweeps of what `qualify` makes of two insertions of two sweeps, but for the
closing check."""
WRONG_DB = -30.0


def stopped(path, step, good, how):
    """A run that was stopped at a step: a sweep is doubted after so many good ones, and is the last
    one, or made again; or all that was swept of the connection is set aside."""
    journal = RunJournal(path, HEADER, {"b": GRID}, S_PARAMETERS)
    time = count(1.0)

    def append(kind, index, sweeps, *, level_db=-1.0, is_suspect=False):
        for _ in range(sweeps):
            made = sweep(level_db, time=next(time))
            journal.append("b", kind, index, made, is_suspect=is_suspect)

    for each in STEPS[:step]:
        append(*each)
    kind, index, sweeps = STEPS[step]
    if how == "set aside":
        first = journal.kept().sweeps.get(("b", kind, index - 1), 0)
        append(kind, index, good + 1, level_db=WRONG_DB)
        journal.mark_suspect("b", kind, first)
    else:
        append(kind, index, good)
        append(kind, index, 1, level_db=WRONG_DB, is_suspect=True)
        if how == "made again":
            append(kind, index, sweeps - good)
    journal.close()


def resumed(path):
    """Gone on with to its end; what was connected."""
    run = read_stopped(path)
    source, connected, nobody = Scripted(), [], Nobody()
    source.time = 100.0
    nobody.connect_through = lambda *, again: connected.append("through")
    nobody.connect_item = lambda item, insertion, of: connected.append(f"{insertion} of {of}")
    journal = take_up(path)
    going_on = SimpleNamespace(
        rows=run.rows, times=run.times, judge=lambda takeover, *, is_extra: "in order"
    )
    equipment = Equipment(source, nobody, journal, nobody, lambda: 100.0, nullcontext, FLOOR_DB)
    bench = Bench(equipment, "X", {"b": BAND}, run.past(), going_on)
    qualify(bench, 2, 2)
    bench.rf_off()
    bench.close()
    journal.close()
    return connected


@pytest.mark.parametrize("how", ["last", "made again", "set aside"])
@pytest.mark.parametrize(("step", "good"), [(0, 3), (1, 0), (1, 1), (2, 1)])
def test_doubtful_sweeps_are_never_reused_at_a_resume(tmp_path, step, good, how):
    """The step is made anew, with a new connection, unless what was doubted had been made again."""
    path = tmp_path / "run.h5"
    stopped(path, step, good, how)
    with open_run(path) as file:
        making = read_making(file, "b", 0)
        before = read_kept(file).sweeps.get(("b", *STEPS[step][:2]), 0)
    assert making is None or np.abs(making.readings).min() > 0.5
    assert before == {"last": good, "made again": STEPS[step][2], "set aside": 0}[how]
    connected = resumed(path)
    followed = ["through", "1 of 2", "2 of 2"][step + (how == "made again") :]
    # before an insertion that is made anew the zero is checked
    is_checked = bool(followed) and followed[0] != "through"
    assert connected == [*["through"] * is_checked, *followed, "through"]
    with open_run(path) as file:
        readings = read_readings(file)["b"]
        assert count_suspects(file)["b"] == (good + 1 if how == "set aside" else 1)
    for values in (readings.normalization, readings.insertions):
        assert np.abs(values).min() > 0.5
