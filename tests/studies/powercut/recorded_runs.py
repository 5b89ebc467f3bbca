"""The runs that are recorded: two procedures on the simulated bench, and a long journal."""

from __future__ import annotations

import numpy as np

from drivers.sweep import S_PARAMETERS, Sweep
from harness.run_file import RunJournal
from harness.run_file.run import Event
from harness.running.finding_procedures import find_procedure
from harness.running.measure import Assignment, measure
from tests.harness.made_runs import BAND, header
from tests.harness.short_run import ITEM, RunningBenches, station_on
from tests.studies.powercut.recording import Recording, recorded

PROCEDURES = {
    "qualify": {"insertions": 3, "sweeps": 3},
    "overnight": {"every": "20 s", "lasting": "20 min", "check_every": "5 min"},
}
POINTS = 21


def of_procedure(name, folder):
    """Carried out on a simulated bench."""
    benches, recording = RunningBenches(folder / "benches"), Recording()
    try:
        workplace = station_on(benches["vector"], folder / "station", "vector")
        work = Assignment(find_procedure(name), PROCEDURES[name], folder / "results")
        with recorded(recording):
            measure(workplace, workplace.choose([ITEM]), work)
    finally:
        benches.close()
    return recording


def of_journal(folder, sweeps):
    """So many sweeps of the item, with checks, marks, events and temperatures between them."""
    grid, rng, recording = np.linspace(1.8e9, 2.5e9, POINTS), np.random.default_rng(1), Recording()

    def sweep(number):
        readings = rng.normal(size=(4, POINTS)) + 1j * rng.normal(size=(4, POINTS))
        return Sweep(grid, S_PARAMETERS, readings, 1.8e9 + number)

    with recorded(recording):
        journal = RunJournal(
            folder / "journal.h5", header(folder / "of", POINTS), {BAND: grid}, S_PARAMETERS
        )
        for number in range(sweeps):
            if number % 10 == 0:
                journal.append(BAND, "normalization", number // 10, sweep(number))
            journal.append(
                BAND, "insertions", number // 5, sweep(number + 0.5), is_suspect=number % 7 == 3
            )
            if number % 29 == 28:
                journal.mark_suspect(BAND, "insertions", number - 2)
            if number % 4 == 0:
                journal.event(Event(1.8e9 + number, "note", f"after sweep {number}"))
            if number % 3 == 0:
                journal.temperature(1.8e9 + number, 20.0 + number / 100)
        journal.close()
    return recording
