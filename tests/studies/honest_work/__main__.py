"""`python -m tests.studies.honest_work`: is honest work left alone?

Runs where everything is connected as it was asked for, in worlds of every kind; ends with status 1
where more than one in a hundred was asked about, doubted, swept again or marked without cause.
"""

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path

from tests.harness.command_line import load
from tests.harness.short_run import show_table
from tests.studies.honest_work.worlds import WORLDS, Place

RUNS = 528
MOST = 0.01
ON_ONE_BENCH = 10


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.studies.honest_work", description=__doc__
    )
    parser.add_argument("--runs", type=int, default=RUNS)
    parser.add_argument("--only", default="")
    parser.add_argument("--seed", type=int, default=700)
    options = parser.parse_args()
    load()
    worlds = [world for world in WORLDS if options.only in world.name]
    each = -(-options.runs // len(worlds))
    rows, runs, bothered, marked = [], 0, 0, 0
    for world in worlds:
        found = measured(world, each, options.seed)
        said = Counter(text for one in found for text in (*one.doubts, *one.marks))
        asked = sum(bool(one.doubts) for one in found)
        marks = sum(bool(one.marks) for one in found)
        runs, bothered, marked = runs + len(found), bothered + asked, marked + marks
        rows.append([world.name, str(len(found)), str(asked), str(marks)])
        print(world.name, len(found), asked, marks, dict(said), file=sys.stderr, flush=True)
    rows.append(["all", str(runs), str(bothered), str(marked)])
    show_table(["world", "runs", "doubted", "zero marked"], rows)
    return int(bothered > MOST * runs or marked > MOST * runs)


def measured(world, count, seed):
    """At least `count` runs of a world, on several benches one after the other."""
    found = []
    while len(found) < count:
        with tempfile.TemporaryDirectory() as folder:
            place = Place(Path(folder), world, seed)
            try:
                for number in range(ON_ONE_BENCH):
                    found += place.measure(number)
                    if len(found) >= count:
                        break
            finally:
                place.close()
        seed += 1
    return found


if __name__ == "__main__":
    sys.exit(main())
