"""`python -m tests.studies.campaigns`: 300 campaigns of each procedure, in about ten minutes.

Exit status 1 if the truth lies inside U in fewer campaigns than is promised.
"""

import argparse
import contextlib
import io
import sys
import tempfile
from pathlib import Path

from tests.studies.campaigns import adapters, cables
from tests.studies.campaigns.tally import Tally

PROMISED = 0.94
CAMPAIGNS = 300
ON_ONE_BENCH = 10
FIRST_SEED = 100


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.studies.campaigns", description=__doc__)
    parser.add_argument("--campaigns", type=int, default=CAMPAIGNS)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--only", choices=["cable-lengths", "adapter-pairs"])
    options = parser.parse_args()
    kept = True
    for name, module in (("cable-lengths", cables), ("adapter-pairs", adapters)):
        if options.only not in (None, name):
            continue
        tally = Tally()
        for block in range(0, options.campaigns, ON_ONE_BENCH):
            count = min(ON_ONE_BENCH, options.campaigns - block)
            seed = options.first_seed + block // ON_ONE_BENCH
            with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stderr(io.StringIO()):
                module.run_block(Path(folder) / "bench", seed, count, tally)
            print(f"\r{name}: {block + count} of {options.campaigns}", end="", file=sys.stderr)
        print(f"\n{name}, simulated, {options.campaigns} campaigns\n\n{tally.table()}\n")
        kept &= all(tally.inside(quantity).min() >= PROMISED for quantity in tally.rows)
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
