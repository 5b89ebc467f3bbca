"""The whole coverage study: `make coverage`. Exit status 1 where a statement is not true."""

import argparse
import os
import sys

# threads of a matrix product wait for each other longer than these small ones take
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from tests.studies.coverage.scenarios import scenarios
from tests.studies.coverage.study import (
    LEAST,
    MOST_GUM,
    MOST_MONTE_CARLO,
    WIDE,
    Campaigns,
    carry_out,
)

CAMPAIGNS = 4000
DIGITS = 1


COLUMNS = (
    "scenario", "U", "needed", "ratio", "GUM", "Monte Carlo", "left out", "GUM without it", "why",
)  # fmt: skip


def faults(made: Campaigns, gum: float, monte_carlo: float, without: float) -> list[str]:
    """What is not as it has to be."""
    scenario, found = made.scenario, []
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
    if (made.ratio > WIDE) != bool(scenario.why_wide):
        found.append(f"U is {made.ratio:.2f} times what was needed: say why, or nothing")
    return found


def row(made: Campaigns, gum: float, monte_carlo: float, without: float) -> str:
    """The scenario's row of the table."""
    scenario = made.scenario
    cells = (
        scenario.name + " (b)" * scenario.is_bounded + " (m)" * scenario.is_mixture,
        f"{made.median_u_db:.4f} dB", f"{made.needed_db:.4f} dB", f"{made.ratio:.2f}",
        f"{gum:.2%}", f"{monte_carlo:.2%}", scenario.dominates, f"{without:.1%}",
        scenario.why_wide,
    )  # fmt: skip
    return "| " + " | ".join(cells) + " |"


def main() -> int:
    """Carry it out and print the table as Markdown."""
    parser = argparse.ArgumentParser(prog="python -m tests.studies.coverage", description=__doc__)
    parser.add_argument("--campaigns", type=int, default=CAMPAIGNS)
    parser.add_argument("--digits", type=int, default=DIGITS, help="of Monte Carlo")
    parser.add_argument("--only", default="", help="scenarios with this in their name")
    chosen = parser.parse_args()
    print(f"{chosen.campaigns} campaigns each; stated: 95.45 %.\n")
    print("| " + " | ".join(COLUMNS) + " |")
    print("| --- | ---: | ---: | ---: | ---: | ---: | --- | ---: | --- |")
    bad = 0
    for scenario in scenarios():
        if chosen.only not in scenario.name:
            continue
        made = carry_out(scenario, chosen.campaigns)
        gum = made.by_gum().fraction
        monte_carlo = made.by_monte_carlo(chosen.campaigns, chosen.digits).fraction
        without = made.by_gum(made.without_what_dominates()).fraction
        print(row(made, gum, monte_carlo, without), flush=True)
        for fault in faults(made, gum, monte_carlo, without):
            bad += 1
            print(f"{scenario.name}: {fault}", file=sys.stderr)
    print(
        "\n(b) one rectangular, triangular or U-shaped contribution dominates: the GUM may hold "
        f"more than {MOST_GUM:.1%}.\n(m) an estimate of few degrees of freedom beside other parts "
        "of its size, or a limit that is not used up: Monte Carlo may hold more than "
        f"{MOST_MONTE_CARLO:.0%}."
    )
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
