"""`tareline delay`: delay and electrical length, where readings have a phase."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from harness.commands.named_runs import RunsOrFolders, run_files, without_wanted_again


def delay(
    runs: RunsOrFolders,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """Show delay, electrical length and velocity factor of runs whose readings have a phase."""
    from rich.console import Console

    from harness.evaluation.read_back import read_run
    from harness.report.tables.several_runs_tables import print_delays
    from harness.several_runs.item_delay import delay_json, delay_of_run

    counted = without_wanted_again([read_run(path) for path in run_files(runs)])
    found = [delay_of_run(run.path) for run in counted]
    if as_json:
        document = {"schema": "tareline-delay/1", "runs": [delay_json(each) for each in found]}
        typer.echo(json.dumps(document, allow_nan=False, ensure_ascii=False))
    else:
        print_delays(found, Console())
