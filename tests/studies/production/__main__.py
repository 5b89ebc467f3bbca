"""`python -m tests.studies.production`: 60 simulated items, 6 of them bad, hands-free over TCP.

The simulated operator fumbles, and the measuring process is killed (SIGKILL) twice on the way and
started again with the same command. Exit status 1 where a bad item was not found, more good ones
failed than the stated risk explains, or something is missing from the lot's folder.
"""

import argparse
import sys
import tempfile
import time
from itertools import accumulate
from pathlib import Path

import numpy as np

from tests.studies.production.drawn_lot import DrawnLot
from tests.studies.production.judgement import judged
from tests.studies.production.killed_twice import measured


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.studies.production", description=__doc__)
    parser.add_argument("--items", type=int, default=60)
    parser.add_argument("--bad", type=int, default=6)
    parser.add_argument("--kills", type=int, default=2)
    parser.add_argument("--seed", type=int, default=60)
    parser.add_argument("--shown", type=Path, help="where to keep what the terminal showed")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        lot = DrawnLot(Path(folder), options.items, options.bad, options.seed)
        began = time.monotonic()
        shown, statuses, killed_at = measured(
            lot, options.kills, np.random.default_rng(options.seed)
        )
        took_s = time.monotonic() - began
        if options.shown is not None:
            options.shown.write_text(shown, "utf-8")
        judgement = judged(lot)
    print(f"{options.items} simulated items, {options.bad} known bad: {', '.join(lot.bad)}")
    in_all = " and ".join(map(str, accumulate(killed_at)))
    print(f"killed {len(killed_at)} times, after {in_all} verdicts in all")
    print(f"exit statuses {statuses}; {took_s:.0f} s in all")
    print(judgement)
    return 0 if judgement.is_kept and statuses[-1] == 1 else 1


if __name__ == "__main__":
    sys.exit(main())
