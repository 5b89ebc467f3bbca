"""What the commands print of runs, and the exit status that runs deserve."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from harness.evaluation.standing import Standing, standing_of_run, worst_standing
from harness.report.files.result_json import as_dict
from harness.run_file.run import Run

EXIT_ALL_PASS, EXIT_NOT_ALL_PASS = 0, 1


def report_json(runs: Sequence[Run]) -> str:
    """The runs as `tareline-result/1`."""
    return json.dumps(as_dict(runs), allow_nan=False, ensure_ascii=False)


def report_table(runs: Sequence[Run]) -> None:
    """Print the runs on standard output."""
    from rich.console import Console

    from harness.report.tables.run_table import print_runs

    print_runs(runs, Console())


def page_path(runs: Sequence[Path]) -> Path:
    """Beside the run file; one page for several runs beside the first."""
    first = runs[0]
    return first.with_suffix(".html") if len(runs) == 1 else first.with_name("report.html")


def verdict_status(runs: Sequence[Run]) -> int:
    """0 if every verdict is a pass or there is no limit, else 1; unfinished runs are no pass."""
    good = (Standing.PASS, Standing.NO_LIMIT)
    return EXIT_ALL_PASS if all(standing_of_run(r) in good for r in runs) else EXIT_NOT_ALL_PASS


def told_in_a_message(run: Run) -> str:
    """`overnight of PIG-0451: pass`, with what a night came to."""
    from harness.report.words.night_words import night_sentence

    night = night_sentence(run)
    said = f"{run.procedure} of {run.item['id']}: {standing_of_run(run).word}"
    return f"{said}; {night}" if night else said


def verdict_word(runs: Sequence[Run]) -> str:
    """The worst standing of runs, in words; empty where there are none."""
    return worst_standing(map(standing_of_run, runs)).word if runs else ""
