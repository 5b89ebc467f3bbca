"""Campaigns simulated and evaluated many at once, against the same ones looped one by one."""

import statistics
import tempfile
import time
from functools import partial
from pathlib import Path

from harness.analysis.planning.proof import Task, coverage
from harness.bench.timetable import timetable
from harness.planning.campaign_world import Assumed, world_of
from harness.running.finding_procedures import find_procedure
from harness.station.items import read_workplace
from harness.station.starter_files import write_starter
from harness.station.statements import statements_of

CAMPAIGNS, POINTS, INSERTIONS = 4000, 201, 5
LOOPED = 200
"""Of the campaigns one by one; the rest would take as long each."""
ROUNDS = 5
ALLOWED = 1 / 20
ITEM, BAND = "PIG-0451", "backhaul-2400"


def main() -> None:
    """Print the ratios."""
    for sweeps in (1, 4):
        task = _task(sweeps)
        coverage(task, 64, [0])
        rounds = [(_seconds(task, CAMPAIGNS, 1), _seconds(task, 1, LOOPED)) for _ in range(ROUNDS)]
        together, looped = (statistics.median(column) for column in zip(*rounds, strict=True))
        alone = looped * CAMPAIGNS / LOOPED
        print(
            f"{CAMPAIGNS} campaigns x {POINTS} frequencies x {INSERTIONS} insertions, "
            f"sweeps each: {sweeps}; at once {together:.2f} s, one by one {alone:.1f} s "
            f"(from {LOOPED}), ratio 1/{alone / together:.1f}"
            + (f" (allowed 1/{1 / ALLOWED:.0f})" if sweeps == 1 else "")
        )


def _task(sweeps: int) -> Task:
    """The starting station and procedure, in one band of so many points."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_starter(folder)
        workplace = read_workplace(folder / "station.toml", folder / "items.toml")
    band = workplace.station.bands[BAND].model_copy(update={"points": POINTS})
    station = workplace.station.model_copy(update={"bands": {BAND: band}})
    item = workplace.items[ITEM].model_copy(update={"return_loss_db": 25.0})
    function = partial(find_procedure("qualify").function, insertions=INSERTIONS, sweeps=sweeps)
    frequency_hz = station.settings(BAND).frequency_hz()
    stated = statements_of(station, item, frequency_hz)
    world = world_of(station, item, BAND, frequency_hz, Assumed(), stated)
    return Task(world, timetable(function, station).plans[BAND])


def _seconds(task: Task, campaigns: int, times: int) -> float:
    begin = time.perf_counter()
    for number in range(times):
        coverage(task, campaigns, [number])
    return time.perf_counter() - begin


if __name__ == "__main__":
    main()
