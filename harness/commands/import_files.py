"""`tareline import`: Touchstone files measured elsewhere become an ordinary run file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer


def import_files(
    through: Annotated[
        list[Path],
        typer.Option(help="File of the through; a second one is the check of the zero at the end."),
    ],
    item: Annotated[
        list[Path], typer.Option(help="File of the item, one for each insertion, in order.")
    ],
    name: Annotated[str, typer.Option(help="Which item of the items file it is.")],
    station: Annotated[Path, typer.Option(help="Station file.")] = Path("station.toml"),
    items: Annotated[Path, typer.Option(help="Items file.")] = Path("items.toml"),
    results: Annotated[Path, typer.Option(help="Folder of the run file.")] = Path("results"),
    transmission: Annotated[
        str,
        typer.Option(
            help="Parameter that went through the item: S21, S12 where the ports were exchanged, "
            "S11 for files of one port that hold a transmission."
        ),
    ] = "S21",
    spacing: Annotated[
        Optional[str],  # noqa: UP045  (typer reads it at run time)
        typer.Option(
            help='Time from one file to the next, such as "2 min", where the files\' own times '
            "are not those of the measurement."
        ),
    ] = None,
    simulated: Annotated[
        bool, typer.Option("--simulated", help="The files hold simulated data; say so.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """Make a run file from Touchstone files, and judge it like any other."""
    from harness.commands.reporting import report_json, report_table, verdict_status
    from harness.evaluation.read_back import read_run
    from harness.report.words.suggested_command import suggested_command
    from harness.running.import_run import Recordings, import_run
    from harness.station.items import read_workplace

    workplace = read_workplace(station, items)
    workplace.choose([name])
    recordings = Recordings(
        through=tuple(through),
        item=tuple(item),
        transmission=transmission.upper(),
        spacing=spacing,
        is_simulated=simulated,
    )
    path = import_run(workplace, name, recordings, results)
    runs = [read_run(path)]
    if as_json:
        typer.echo(report_json(runs))
    else:
        report_table(runs)
        typer.echo(f"\nFigures, budget and page:\n{suggested_command('report', path)}")
    raise typer.Exit(verdict_status(runs))
