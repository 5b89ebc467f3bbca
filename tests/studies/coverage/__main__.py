"""The whole coverage study: `make coverage`. Exit status 1 where a statement is not true."""

import argparse
import sys

from tests.studies.coverage.scenarios import Scenario, scenarios
from tests.studies.coverage.study import LEAST, MOST_GUM, MOST_MONTE_CARLO, carry_out

CAMPAIGNS = 4000
DIGITS = 1


def faults(scenario: Scenario, gum: float, monte_carlo: float, without: float) -> list[str]:
    """What is not as it has to be."""
    found = []
    if gum < LEAST:
        found.append("GUM holds too little")
    if gum > MOST_GUM and not scenario.is_bounded:
        found.append("GUM is too cautious")
    if monte_carlo < LEAST:
        found.append("Monte Carlo holds too little")
    if monte_carlo > MOST_MONTE_CARLO and not scenario.is_mixture:
        found.append("Monte Carlo is too cautious")
    if without >= LEAST:
        found.append("leaving out what dominates is not noticed")
    return found


def main() -> int:
    """Carry it out and print the table as Markdown."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--campaigns", type=int, default=CAMPAIGNS)
    parser.add_argument("--digits", type=int, default=DIGITS, help="of Monte Carlo")
    chosen = parser.parse_args()
    print(f"{chosen.campaigns} campaigns each; stated: 95.45 %.\n")
    print("| scenario | U | needed | GUM | Monte Carlo | left out | GUM without it |")
    print("| --- | ---: | ---: | ---: | ---: | --- | ---: |")
    bad = 0
    for scenario in scenarios():
        made = carry_out(scenario, chosen.campaigns)
        gum = made.by_gum().fraction
        monte_carlo = made.by_monte_carlo(chosen.campaigns, chosen.digits).fraction
        without = made.by_gum(made.without_what_dominates()).fraction
        mark = " (b)" * scenario.is_bounded + " (m)" * scenario.is_mixture
        print(
            f"| {scenario.name}{mark} | {made.median_u_db:.4f} dB | "
            f"{made.needed_db:.4f} dB | {gum:.2%} | {monte_carlo:.2%} | "
            f"{scenario.dominates} | {without:.1%} |",
            flush=True,
        )
        for fault in faults(scenario, gum, monte_carlo, without):
            bad += 1
            print(f"{scenario.name}: {fault}", file=sys.stderr)
    print(
        "\n(b) one rectangular, triangular or U-shaped contribution dominates: the GUM may hold "
        f"more than {MOST_GUM:.1%}.\n(m) an estimate of few degrees of freedom beside other parts "
        f"of its size: Monte Carlo may hold more than {MOST_MONTE_CARLO:.0%}."
    )
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
