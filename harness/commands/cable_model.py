"""`tareline cable-model`: a cable's loss per metre, from several lengths of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Optional

import typer

from harness.commands.named_runs import RunsOrFolders, trusted_runs


def cable_model(
    runs: RunsOrFolders,
    name: Annotated[
        str, typer.Option(help="What the cable is called; by default what its items say.")
    ] = "",
    predict: Annotated[
        Optional[str],  # noqa: UP045  (typer reads it at run time)
        typer.Option(help='Also the loss of an assembly of this length, such as "1.5 m".'),
    ] = None,
    write: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="Add the cable to this catalogue file (TOML), with the runs as source."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """Tell the loss per metre of a cable from that of its connectors, from several lengths."""
    from rich.console import Console

    from drivers.quantities import LENGTH_UNITS
    from harness.commands.option_quantities import positive
    from harness.report.tables.several_runs_tables import print_cable
    from harness.several_runs.cable_from_lengths import cable_json, combine_cable

    predict_m = None if predict is None else positive("--predict", predict, LENGTH_UNITS, "1.5 m")
    finished = [run.path for run in trusted_runs(runs)]
    cable = combine_cable(finished, name)
    if as_json:
        typer.echo(json.dumps(cable_json(cable, predict_m), allow_nan=False, ensure_ascii=False))
    else:
        print_cable(cable, Console(), predict_m)
    if write is not None:
        from harness.several_runs.cable_entry import add_entry

        add_entry(write, cable)
        typer.echo(f"wrote {cable.name} into {write}", err=as_json)
