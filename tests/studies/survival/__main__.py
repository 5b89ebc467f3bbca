"""Kill runs, and stop commands, at random instants, a few at a time."""

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
from tests.studies.survival.stopping import COMMANDS as STOPPED
from tests.studies.survival.stopping import KINDS as STOP_KINDS
from tests.studies.survival.stopping import NUMBERS, StoppingPlace, stop_trial
from tests.studies.survival.trial import COMMANDS, KINDS, PHASES, RESUMING, trial, undisturbed

KILLS, STOPS, SIDE_BY_SIDE, SEED = 300, 400, 3, 1
STOPS_AT_ONCE = 30
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


def prepare_to_stop(folder):
    """In a process of its own: a bench, and what every command needs."""
    _worker["place"] = StoppingPlace(Place(Path(tempfile.mkdtemp(dir=folder))))


def carry_out_stop(number, seed):
    name = list(STOPPED)[number % len(STOPPED)]
    kind = NUMBERS[number // len(STOPPED) % len(NUMBERS)]
    return stop_trial(_worker["place"], name, kind, np.random.default_rng([seed, number]))


def stops(count, side_by_side, seed, folder):
    """Outcomes of trials, until so many signals found a command at work."""
    with ProcessPoolExecutor(
        side_by_side, get_context("fork"), initializer=prepare_to_stop, initargs=(folder,)
    ) as pool:
        done = number = 0
        while done < count:
            numbers = range(number, number + min(count - done, STOPS_AT_ONCE))
            number = numbers.stop
            for outcome in pool.map(carry_out_stop, numbers, [seed] * len(numbers)):
                done += not outcome.was_over
                yield outcome


def table_of_stops(found):
    """A row for each command, and one for all."""
    rows = []
    for command in (*STOPPED, "all"):
        chosen = [each for each in found if command in (each.command, "all") and not each.was_over]
        problems = Counter(kind for each in chosen for kind, _ in each.problems)
        longest_s = max((each.took_s for each in chosen), default=0.0)
        rows.append(
            [
                command,
                str(len(chosen)),
                str(sum(each.is_done for each in chosen)),
                f"{longest_s:.1f} s",
                *(str(problems[kind]) for kind in STOP_KINDS),
            ]
        )
    return ["command", "signals", "done already", "longest", *STOP_KINDS], rows


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
    parser.add_argument("--stops", type=int, default=STOPS)
    parser.add_argument("--side-by-side", type=int, default=SIDE_BY_SIDE)
    parser.add_argument("--seed", type=int, default=SEED)
    options = parser.parse_args()
    begun_s = time.monotonic()
    found, stopped = [], []
    with tempfile.TemporaryDirectory() as folder:
        os.environ[FOLDER_VARIABLE] = str(Path(folder) / "locks")
        for outcome in outcomes(options.kills, options.side_by_side, options.seed, folder):
            found.append(outcome)
            for kind, text in outcome.problems:
                print(f"{outcome.phase}, {outcome.procedure}: {kind}: {text}", flush=True)
        for outcome in stops(options.stops, options.side_by_side, options.seed, folder):
            stopped.append(outcome)
            for kind, text in outcome.problems:
                print(f"{outcome.command}, {outcome.number.name}: {kind}: {text}", flush=True)
    show_table(*table_of(found))
    show_table(*table_of_stops(stopped))
    print(f"\nsweeps: those that were reported done. {time.monotonic() - begun_s:.0f} s, ", end="")
    print(f"seed {options.seed}")
    return 1 if any(outcome.problems for outcome in (*found, *stopped)) else 0


if __name__ == "__main__":
    sys.exit(main())
