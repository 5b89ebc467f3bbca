"""`tareline adapter-losses`: single adapters, from pairs of them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Optional

import typer

from harness.commands.named_runs import RunsOrFolders, trusted_runs


def adapter_losses(
    runs: RunsOrFolders,
    mating_loss: Annotated[
        str, typer.Option(help="Loss of one mating at 1 GHz, in limits of the same size.")
    ] = "0.01 dB",
    through: Annotated[
        Optional[str],  # noqa: UP045  (typer reads it at run time)
        typer.Option(help="Adapter whose loss to write, as a station with it as through reads it."),
    ] = None,
    write: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="File for it (CSV)."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """Tell the loss of each adapter from pairs of them."""
    from rich.console import Console

    from drivers.errors import InputError
    from drivers.quantities import RATIO_UNITS
    from harness.commands.option_quantities import positive
    from harness.report.tables.several_runs_tables import print_adapters
    from harness.several_runs.adapter_losses import adapters_json, combine_adapters

    if (through is None) != (write is None):
        raise InputError(
            "--through and --write belong together", hint="--through T-02 --write T-02.csv"
        )
    mating_db = positive("--mating-loss", mating_loss, RATIO_UNITS, "0.01 dB")
    finished = [run.path for run in trusted_runs(runs)]
    found = combine_adapters(finished, mating_db)
    if as_json:
        typer.echo(json.dumps(adapters_json(found), allow_nan=False, ensure_ascii=False))
    else:
        print_adapters(found, Console())
    if through is not None and write is not None:
        from harness.station.loss_table import write_loss_table

        remark = (
            f"{through}: loss of the adapter with both matings, from {found.combined.sources}\n"
            f'in the station: [through] loss = "{write.name}"'
        )
        write_loss_table(write, *found.as_through(through), remark)
        typer.echo(f'wrote {write}; in the station: [through] loss = "{write}"', err=as_json)
