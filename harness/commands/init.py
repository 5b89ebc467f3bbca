"""`tareline init`: files to start from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where to write the files.")],
) -> None:
    """Write a commented station, items and a simulated bench to start from."""
    from harness.station.starter_files import write_starter

    for path in write_starter(folder):
        typer.echo(f"wrote {path}")
    typer.echo(
        f"\nIt works at once, on the simulated bench:\n\n  cd {folder}\n  tareline run qualify\n\n"
        "Or a small lot, item after item:\n\n"
        "  tareline run spot-check --results results/lot-7 --serials lot-7.txt"
    )
