"""The whole study of gauge studies. Exit status 1 where limits hold too little."""

import argparse
import sys

from tests.studies.gauge.study import BENCHES, LEAST, coverage


def main() -> int:
    """Carry it out and print the table as Markdown."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--pool-above", type=float, default=0.25)
    chosen = parser.parse_args()
    print(f"{chosen.studies} studies each; stated: 95 %.\n")
    bad = 0
    for place, bench in enumerate(BENCHES):
        shares = coverage(bench, chosen.studies, pool_above=chosen.pool_above)
        if not place:
            print(f"| bench | {' | '.join(shares)} |")
            print(f"| --- |{' ---: |' * len(shares)}")
        cells = " | ".join(f"{share.fraction:.1%}" for share in shares.values())
        print(f"| {bench.name} | {cells} |", flush=True)
        for name, share in shares.items():
            if share.interval(0.99)[1] < LEAST:
                bad += 1
                print(f"{bench.name}: {name} holds only {share.fraction:.1%}", file=sys.stderr)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
