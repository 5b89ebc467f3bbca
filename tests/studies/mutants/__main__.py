"""Mutants of the arithmetic, and which of them no test notices. Exit status 1 where fewer than 90 %
are noticed, or where one is not that `survivors.toml` does not know."""

import argparse
import os
import sys
from collections import Counter

from tests.studies.mutants.known_survivors import KnownSurvivors
from tests.studies.mutants.making import ROOMS, ROOT, drawn_mutants
from tests.studies.mutants.trial import survivors_of

ONE_IN = 10
LEAST = 0.9
NICE = 10


def main() -> int:
    """Try them and print the table as Markdown."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--one-in", type=int, default=ONE_IN, help="1: all of them")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", default="*", help="such as loss/drift.py")
    chosen = parser.parse_args()
    os.nice(NICE)
    drawn = drawn_mutants(chosen.one_in, chosen.only)
    tests = [str(ROOT / "tests/harness/analysis" / room) for room in ROOMS]
    survivors = survivors_of(drawn, tests, chosen.workers)
    total = Counter(mutant.key[0].split()[0] for mutant in drawn)
    left = Counter(mutant.key[0].split()[0] for mutant in survivors)
    print("| file | killed | of |\n| --- | ---: | ---: |")
    for file, count in total.items():
        print(f"| `{file}` | {count - left[file]} | {count} |")
    killed = 1.0 - len(survivors) / max(len(drawn), 1)
    print(f"| all | {len(drawn) - len(survivors)} | {len(drawn)} |\n\nKilled: {killed:.1%}")
    complaints = KnownSurvivors.read().complaints(drawn, survivors)
    for text in complaints:
        print(text, file=sys.stderr)
    return 1 if complaints or killed < LEAST else 0


if __name__ == "__main__":
    sys.exit(main())
