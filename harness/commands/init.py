"""`tareline init`: files to start from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where to write the files.")],
) -> None:
    """Write a commented station, items and a simulated bench to start from."""
    import shlex

    from harness.report.words.suggested_command import suggested_command
    from harness.station.starter_files import write_starter

    for path in write_starter(folder):
        typer.echo(f"wrote {path}")
    lot = ("--results", "results/lot-7", "--serials", "lot-7.txt")
    typer.echo(
        "\nIt works at once, on the simulated bench:\n\n"
        f"  {shlex.join(['cd', str(folder)])}\n  {suggested_command('run', 'qualify')}\n\n"
        f"Or a small lot, item after item:\n\n  {suggested_command('run', 'spot-check', *lot)}"
    )
