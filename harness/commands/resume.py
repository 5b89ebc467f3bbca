"""`tareline resume RUN`: a stopped run taken up again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from harness.commands.run import THEN

if TYPE_CHECKING:
    from harness.running.afterwards import RunEnding


def resume(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="Run file (.h5) of the stopped run.")],
    station: Annotated[Path, typer.Option(help="Station file.")] = Path("station.toml"),
    procedure: Annotated[
        Optional[str],  # noqa: UP045  (typer reads it at run time)
        typer.Option(help="File of your own procedure, if it does not stand where it did."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
    then: Annotated[str, typer.Option(help=THEN, metavar="COMMAND")] = "",
) -> None:
    """Go on with a stopped run, whatever stopped it, to its end.

    Station, instruments and procedure must be those of the run. What is kept is
    not swept again. The zero is checked first; a connection that was broken
    becomes a new insertion, and the record says so. Where everything had been
    swept, no instrument is needed.
    """
    from harness.running.afterwards import afterwards

    with afterwards(then) as outcome:
        _go_on_and_report(run, station, procedure, outcome, as_json=as_json)


def _go_on_and_report(
    run: Path, station: Path, procedure: str | None, outcome: RunEnding, *, as_json: bool
) -> None:
    from harness.commands.reporting import (
        report_json,
        report_table,
        told_in_a_message,
        verdict_status,
        verdict_word,
    )
    from harness.evaluation.read_back import read_run
    from harness.report.words.suggested_command import suggested_command
    from harness.running.resuming import resume as go_on

    path = go_on(run, station, procedure, outcome.runs.append)
    runs = [read_run(path)]
    outcome.verdict = verdict_word(runs)
    outcome.message = told_in_a_message(runs[0])
    if as_json:
        typer.echo(report_json(runs))
    else:
        report_table(runs)
        typer.echo(f"\nFigures, budget and page:\n{suggested_command('report', path)}")
    raise typer.Exit(verdict_status(runs))
