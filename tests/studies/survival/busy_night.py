"""A night as busy as can be: do descriptors, threads and memory stay what they were?
`python -m tests.studies.survival.busy_night --ticks 3000`; links are lost again and again."""

import argparse
import os
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from harness.running.locks import FOLDER_VARIABLE
from tests.harness.command_line import Started
from tests.harness.short_run import ITEM, arm
from tests.studies.survival.place import Place

TICKS = 3000
BETWEEN_S = 0.5
FAULT_EVERY = 4
"""Looks from one lost link to the next."""
SETTLED = 0.25
"""Share of the night after which nothing may grow any more."""
MOST_GROWTH_KB = 4096
"""Of memory in the rest of it; the times that are kept of each sweep are a hundredth of that."""


@dataclass
class Look:
    """What a process has."""

    descriptors: int
    threads: int
    resident_kb: int


def look_at(process_id):
    """None once it has ended."""
    try:
        descriptors = len(os.listdir(f"/proc/{process_id}/fd"))
        lines = Path(f"/proc/{process_id}/status").read_text().splitlines()
        stated = dict(line.split(":", 1) for line in lines)
        return Look(descriptors, int(stated["Threads"]), int(stated["VmRSS"].split()[0]))
    except (OSError, KeyError):
        return None


def busy_night(place, ticks, between_s=BETWEEN_S):
    """What was seen of a run with so many ticks, and how it ended."""
    arguments = (
        "run", "overnight", "--item", ITEM, "--every", "20 s", "--lasting", f"{20 * ticks} s",
        "--check-every", "10 min",
    )  # fmt: skip
    folder = place.fresh()
    run = Started(arguments, folder, "")
    looks = []
    while not run.has_ended():
        time.sleep(between_s)
        # while its sweeps are made; what evaluates them has a need of its own
        if any(folder.glob("results/.*.finishing-*")):
            break
        found = look_at(run.process_id)
        if found is not None:
            looks.append(found)
        if len(looks) % FAULT_EVERY == 0:
            arm(place.bench, "analyzer", "drop-before", "on=TRACe:DATA?")
    arm(place.bench)
    return looks, run.finished()


def problems_of(looks):
    """What grew, after the beginning."""
    rest = looks[int(SETTLED * len(looks)) :]
    first, second = rest[: len(rest) // 2], rest[len(rest) // 2 :]
    found = []
    for name, allowed in (("descriptors", 0), ("threads", 0), ("resident_kb", MOST_GROWTH_KB)):
        before, after = (max(getattr(each, name) for each in part) for part in (first, second))
        if after > before + allowed:
            found.append(f"{name} grew from {before} to {after}")
    return found


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--ticks", type=int, default=TICKS)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        os.environ[FOLDER_VARIABLE] = f"{folder}/locks"
        path = Path(folder) / "place"
        path.mkdir()
        place = Place(path)
        looks, ended = busy_night(place, options.ticks)
        place.close()
    said = [line for line in ended.stdout.splitlines() if "ticks made" in line]
    print(f"{len(looks)} looks; status {ended.returncode}; {''.join(said)}")
    for name in ("descriptors", "threads", "resident_kb"):
        values = np.array([getattr(each, name) for each in looks])
        shown = ", ".join(str(value) for value in values[:: max(1, len(values) // 12)])
        print(f"{name}: {shown}; last {values[-1]}")
    problems = problems_of(looks)
    for problem in problems:
        print(problem)
    return 1 if problems or ended.returncode not in (0, 1) else 0


if __name__ == "__main__":
    sys.exit(main())
