"""`tareline check`: the station and items files, read and held against each other."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def check(
    station: Annotated[Path, typer.Option(help="Station file.")] = Path("station.toml"),
    items: Annotated[Path, typer.Option(help="Items file.")] = Path("items.toml"),
) -> None:
    """Check the station and items files without touching an instrument."""
    import shutil
    import textwrap

    from drivers.quantities import counted
    from harness.running.station_check import check_files
    from harness.station.items import read_workplace
    from harness.station.workplace_doubts import doubts_about

    workplace = read_workplace(station, items)
    check_files(workplace, list(workplace.items), must_measure=False)
    typer.echo(
        f"{workplace.station.name}: {counted(len(workplace.station.bands), 'band')}, "
        f"{counted(len(workplace.items), 'item')}; no mistakes found"
    )
    for doubt in doubts_about(workplace):
        width = shutil.get_terminal_size().columns
        typer.echo(textwrap.fill(f"! doubtful: {doubt}", width, break_on_hyphens=False), err=True)
