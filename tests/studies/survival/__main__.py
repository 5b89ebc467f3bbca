"""Kill runs at random instants, a few at a time: `python -m tests.studies.survival --kills 300`."""

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from harness.running.locks import FOLDER_VARIABLE
from tests.harness.short_run import show_table
from tests.studies.survival.place import Place
from tests.studies.survival.trial import COMMANDS, KINDS, PHASES, RESUMING, trial, undisturbed

KILLS, SIDE_BY_SIDE, SEED = 300, 3, 1
_worker = {}


def prepare(folder):
    """In a process of its own: a bench, and what a run comes to that nobody disturbs."""
    place = Place(Path(tempfile.mkdtemp(dir=folder)))
    undisturbed(place, "qualify")  # what it imports and computes once is there from now on
    _worker["place"] = place
    _worker["expected"] = {name: undisturbed(place, name) for name in COMMANDS}


def carry_out(number, seed):
    phases = (*PHASES, RESUMING)
    procedure = list(COMMANDS)[number // len(phases) % len(COMMANDS)]
    random = np.random.default_rng([seed, number])
    return trial(
        _worker["place"],
        procedure,
        phases[number % len(phases)],
        _worker["expected"][procedure],
        random,
    )


def outcomes(kills, side_by_side, seed, folder):
    """Outcomes of trials, until there have been so many kills."""
    done = number = 0
    with ProcessPoolExecutor(
        side_by_side, get_context("fork"), initializer=prepare, initargs=(folder,)
    ) as pool:
        under_way = set()
        while done < kills or under_way:
            while done < kills and len(under_way) < side_by_side:
                under_way.add(pool.submit(carry_out, number, seed))
                number += 1
            ended, under_way = wait(under_way, return_when=FIRST_COMPLETED)
            for each in ended:
                outcome = each.result()
                done += outcome.kills + outcome.earlier_kills
                yield outcome


def table_of(found):
    """A row for each phase and procedure, and one for all."""
    rows = []
    for phase in (*PHASES, RESUMING, "all"):
        for procedure in COMMANDS if phase != "all" else ("",):
            chosen = [
                each
                for each in found
                if phase == "all" or (each.phase, each.procedure) == (phase, procedure)
            ]
            problems = Counter(kind for each in chosen for kind, _ in each.problems)
            kills = sum(each.kills for each in chosen)
            if phase == "all":
                kills += sum(each.earlier_kills for each in chosen)
            rows.append(
                [
                    phase,
                    procedure,
                    str(len(chosen)),
                    str(kills),
                    str(sum(each.reported for each in chosen)),
                    *(str(problems[kind]) for kind in KINDS),
                ]
            )
    return ["while", "procedure", "runs", "kills", "sweeps", *KINDS], rows


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.studies.survival", description=__doc__)
    parser.add_argument("--kills", type=int, default=KILLS)
    parser.add_argument("--side-by-side", type=int, default=SIDE_BY_SIDE)
    parser.add_argument("--seed", type=int, default=SEED)
    options = parser.parse_args()
    begun_s = time.monotonic()
    found = []
    with tempfile.TemporaryDirectory() as folder:
        os.environ[FOLDER_VARIABLE] = str(Path(folder) / "locks")
        for outcome in outcomes(options.kills, options.side_by_side, options.seed, folder):
            found.append(outcome)
            for kind, text in outcome.problems:
                print(f"{outcome.phase}, {outcome.procedure}: {kind}: {text}", flush=True)
    show_table(*table_of(found))
    print(f"\nsweeps: those that were reported done. {time.monotonic() - begun_s:.0f} s, ", end="")
    print(f"seed {options.seed}")
    return 1 if any(outcome.problems for outcome in found) else 0


if __name__ == "__main__":
    sys.exit(main())
