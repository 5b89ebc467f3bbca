"""Cut the power in drawn states of recorded runs: `python -m tests.studies.powercut --states 400`.

A state is tried with `verify`, with the look that `watch` takes, with what `resume` takes up, and
with `verify` of that.
"""

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from tests.harness.short_run import show_table
from tests.studies.powercut.crashes import Trier, crash, problems
from tests.studies.powercut.recorded_runs import of_journal, of_procedure

SWEEPS = 300


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.studies.powercut", description=__doc__)
    parser.add_argument("--states", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for states that are not as they ought")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        runs = {}
        for what in ("qualify", "overnight", "journal"):
            place = folder / what
            place.mkdir()
            runs[what] = of_journal(place, SWEEPS) if what == "journal" else of_procedure(
                what, place)  # fmt: skip
        tried, wrong = Counter(), Counter()
        trier, random = Trier(folder), np.random.default_rng(options.seed)
        for number in range(options.states):
            run = list(runs)[number % len(runs)]
            state = crash(runs[run].states, random)
            tried[run, state.kind] += 1
            for text in problems(runs[run], state, trier(state)):
                wrong[run, state.kind] += 1
                print(
                    f"{run}, after synchronization {state.after}, {state.kind}: {text}", flush=True
                )
                if options.keep is not None:
                    (options.keep / f"{run}-{number}.h5").write_bytes(state.data)
        trier.close()
    rows = [[run, str(len(runs[run].states)), kind, str(count), str(wrong[run, kind])]
            for (run, kind), count in sorted(tried.items())]  # fmt: skip
    show_table(["run", "synchronizations", "pages of", "states", "problems"], rows)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
