"""From an item's last sweep to its verdict at the production bench, against finishing its file.

Finishing evaluates the file again, diagnoses the item, and puts all of it on disk: what the
verdict used to wait for.
"""

import contextlib
import io
import statistics
import tempfile
import time
from pathlib import Path
from unittest.mock import patch

from drivers.instruments.network_analyzer import NetworkAnalyzer
from harness.connections.operator_terminal import OperatorTerminal
from harness.connections.typed_lines import TypedLines
from harness.evaluation import run_analysis
from harness.running.finding_procedures import find_procedure
from harness.running.item_run import Assignment
from harness.running.lot import lot_sitting
from harness.running.lot.lot_run import LotOptions, measure_lot
from harness.station.items import read_workplace
from harness.station.starter_files import write_starter

SERIALS = tuple(f"PIG-07{number:02d}" for number in range(1, 6))
ALLOWED = 0.5
ALLOWED_S = 0.15
"""On an idle machine."""


class Stopwatch:
    """When the last sweep came, and how long after it the verdict; how long finishing took."""

    def __init__(self):
        self.verdicts_s, self.finishings_s = [], []
        self._swept = 0.0

    @contextlib.contextmanager
    def running(self):
        """Sweeps, verdicts and finishings are timed."""
        swept, shown, finish_run = (
            NetworkAnalyzer.sweep,
            OperatorTerminal.verdict,
            run_analysis.finish,
        )

        def sweep(source):
            made = swept(source)
            self._swept = time.perf_counter()
            return made

        def verdict(terminal, *said):
            shown(terminal, *said)
            self.verdicts_s.append(time.perf_counter() - self._swept)

        def finish(path, finished):
            begun = time.perf_counter()
            finish_run(path, finished)
            self.finishings_s.append(time.perf_counter() - begun)

        with (
            patch.object(NetworkAnalyzer, "sweep", sweep),
            patch.object(OperatorTerminal, "verdict", verdict),
            patch.object(lot_sitting, "finish", finish),
        ):
            yield


def main() -> None:
    """Print the medians and their ratio."""
    watch = Stopwatch()
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        write_starter(folder)
        workplace = read_workplace(folder / "station.toml", folder / "items.toml")
        spot_check = find_procedure("spot-check")
        parameters = {each.name: each.default for each in spot_check.parameters}
        assignment = Assignment(spot_check, parameters, folder / "lot")
        with contextlib.redirect_stderr(io.StringIO()), watch.running():
            terminal = OperatorTerminal(TypedLines(), plain=True, with_bell=False)
            measure_lot(workplace, assignment, LotOptions("pigtail-300", SERIALS), terminal)
    # the closing check of the zero finishes every file once more
    finishings_s = watch.finishings_s[: len(SERIALS)]
    ours, first = statistics.median(watch.verdicts_s), watch.verdicts_s[0]
    baseline = statistics.median(finishings_s)
    print(
        f"verdict after the last sweep: {ours:.3f} s (the first {first:.3f} s; allowed "
        f"{ALLOWED_S} s on an idle machine), finishing the item's file: {baseline:.3f} s, ratio "
        f"{ours / baseline:.2f} (allowed {ALLOWED})"
    )


if __name__ == "__main__":
    main()
