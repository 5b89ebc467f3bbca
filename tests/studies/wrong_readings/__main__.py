"""`python -m tests.studies.wrong_readings`: the table of what went wrong, and what came of it.

Ends with status 1 where something wrong passed, or its likely cause was not said.
"""

import argparse
import sys
import tempfile
from pathlib import Path

from tests.harness.command_line import load
from tests.harness.short_run import show_table
from tests.studies.wrong_readings.scenarios import SCENARIOS
from tests.studies.wrong_readings.trial import carry_out, start_bench


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.studies.wrong_readings", description=__doc__
    )
    parser.add_argument("--only", default="", help="words of the scenario's name")
    parser.add_argument("--shown", type=Path, help="folder for what the terminal showed")
    options = parser.parse_args()
    load()
    rows, good = [], True
    with tempfile.TemporaryDirectory() as folder:
        bench = start_bench(Path(folder))
        try:
            for number, scenario in enumerate(SCENARIOS):
                if options.only not in scenario.name:
                    continue
                with tempfile.TemporaryDirectory() as place:
                    found = carry_out(bench, Path(place), scenario)
                if options.shown:
                    (options.shown / f"{number}.txt").write_text(found.shown, "utf-8")
                good &= found.is_good
                passed = ", ".join(found.passed) or "none"
                said = "said" if found.is_said else "NOT SAID"
                mark = "" if found.is_good else "WRONG"
                rows.append([scenario.name, str(found.status), passed, said, mark])
        finally:
            bench.close()
    show_table(["what went wrong", "status", "passed wrongly", "cause", ""], rows)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
