"""`python -m tests.studies.diagnosis`: 400 items that were never seen while the diagnosis was made.

Everything is simulated. Seeds 0 to 999 are for building on; those of the judgement are from 5000
on. Exit status 1 if fewer faults are named rightly, or more sound items accused, than promised.
"""

import argparse
import sys

from tests.studies.diagnosis.over_tcp import study_over_tcp
from tests.studies.diagnosis.study import Tally, one, one_without_phase, study

FIRST_SEED, ITEMS, OVER_TCP = 5000, 400, 20
RIGHTLY_NAMED, ACCUSED = 0.90, 0.03


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.studies.diagnosis", description=__doc__)
    parser.add_argument("--items", type=int, default=ITEMS)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--no-phase", action="store_true", help="magnitudes only")
    parser.add_argument("--over-tcp", type=int, default=OVER_TCP, help="how many, after the others")
    parser.add_argument("--misses", action="store_true", help="list what was not right")
    options = parser.parse_args()
    seeds = range(options.first_seed, options.first_seed + options.items)
    examined = one_without_phase if options.no_phase else one
    tally = study(seeds, options.processes, examined)
    print(f"{options.items} simulated items, seeds from {options.first_seed} on\n")
    print(tally.table())
    if options.misses:
        _print_misses(tally)
    if options.over_tcp:
        over_tcp = study_over_tcp(range(options.first_seed, options.first_seed + options.over_tcp))
        print(f"\nThe first {options.over_tcp} of them over TCP\n\n{over_tcp.table()}")
    kept = tally.share_named_rightly() >= RIGHTLY_NAMED and tally.share_accused() <= ACCUSED
    return 0 if kept else 1


def _print_misses(tally: Tally) -> None:
    print()
    for o in tally.outcomes:
        if not o.is_right:
            print(
                f"- {o.seed}, {o.set_up}: {o.drawn.fault} {o.drawn.form}, "
                f"{' + '.join(o.drawn.made_of)}: {o.said} ({o.probability:.2f})"
            )


if __name__ == "__main__":
    sys.exit(main())
