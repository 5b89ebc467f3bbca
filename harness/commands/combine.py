"""`tareline cable-model`, `adapter-losses` and `delay`: what several runs tell together.

After `tareline run cable-lengths` and `tareline run adapter-pairs` the same is shown at once.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer

if TYPE_CHECKING:
    from harness.station.items import Item

RunFiles = Annotated[list[Path], typer.Argument(metavar="RUN...", help="Run files (.h5).")]
AsJson = Annotated[bool, typer.Option("--json", help="JSON instead of a table.")]


def cable_model(
    runs: RunFiles,
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
    as_json: AsJson = False,
) -> None:
    """Tell the loss per metre of a cable from that of its connectors, from several lengths."""
    from harness.report.tables.several_runs_tables import print_cable
    from harness.several_runs.cable_from_lengths import cable_json, combine_cable

    predict_m = None if predict is None else _length_m(predict)
    cable = combine_cable(runs, name)
    if as_json:
        typer.echo(_json(cable_json(cable, predict_m)))
    else:
        print_cable(cable, _console(), predict_m)
    if write is not None:
        from harness.several_runs.cable_entry import add_entry

        add_entry(write, cable)
        typer.echo(f"wrote {cable.name} into {write}", err=as_json)


def adapter_losses(
    runs: RunFiles,
    mating_loss: Annotated[
        str, typer.Option(help="Loss of one mating at 1 GHz, in limits of the same size.")
    ] = "0.01 dB",
    through: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(help="Adapter whose loss to write, as a station with it as through reads it."),
    ] = None,
    write: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="File for it (CSV)."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tell the loss of each adapter from pairs of them."""
    from drivers.errors import InputError
    from harness.report.tables.several_runs_tables import print_adapters
    from harness.several_runs.adapter_losses import adapters_json, combine_adapters

    if (through is None) != (write is None):
        raise InputError(
            "--through and --write belong together", hint="--through T-02 --write T-02.csv"
        )
    found = combine_adapters(runs, _mating_db(mating_loss))
    if as_json:
        typer.echo(_json(adapters_json(found)))
    else:
        print_adapters(found, _console())
    if through is not None and write is not None:
        from harness.station.loss_table import write_loss_table

        remark = (
            f"{through}: loss of the adapter with both matings, from {found.combined.sources}\n"
            f'in the station: [through] loss = "{write.name}"'
        )
        write_loss_table(write, *found.as_through(through), remark)
        typer.echo(f'wrote {write}; in the station: [through] loss = "{write}"', err=as_json)


def delay(runs: RunFiles, as_json: AsJson = False) -> None:
    """Show delay, electrical length and velocity factor of runs whose readings have a phase."""
    from harness.report.tables.several_runs_tables import print_delays
    from harness.several_runs.item_delay import delay_json, delay_of_run

    found = [delay_of_run(path) for path in runs]
    if as_json:
        typer.echo(_json({"schema": "tareline-delay/1", "runs": [delay_json(f) for f in found]}))
    else:
        print_delays(found, _console())


def require_combinable(procedure: str, items: Mapping[str, Item]) -> None:
    """Before anything is connected: can these items' runs be combined as the procedure means it?

    Raises:
        InputError: they cannot; says what is missing.
    """
    if procedure == "cable-lengths":
        from harness.several_runs.cable_from_lengths import require_lengths

        require_lengths(items)
    elif procedure == "adapter-pairs":
        from harness.several_runs.adapter_losses import require_pairs

        require_pairs(items)


def combination(
    procedure: str, paths: Sequence[Path]
) -> tuple[dict[str, Any], Callable[[], None]] | None:
    """What runs of a procedure tell together, as JSON and as a function that prints it; None for
    procedures whose runs stand by themselves.

    Raises:
        InputError: the runs do not belong together.
    """
    if procedure == "cable-lengths":
        from harness.report.tables.several_runs_tables import print_cable
        from harness.several_runs.cable_from_lengths import cable_json, combine_cable

        cable = combine_cable(paths)
        return cable_json(cable), lambda: print_cable(cable, _console())
    if procedure == "adapter-pairs":
        from harness.report.tables.several_runs_tables import print_adapters
        from harness.several_runs.adapter_losses import adapters_json, combine_adapters

        found = combine_adapters(paths)
        return adapters_json(found), lambda: print_adapters(found, _console())
    return None


def _length_m(text: str) -> float:
    from drivers.quantities import LENGTH_UNITS

    return _positive("--predict", text, LENGTH_UNITS, "1.5 m")


def _mating_db(text: str) -> float:
    from drivers.quantities import RATIO_UNITS

    return _positive("--mating-loss", text, RATIO_UNITS, "0.01 dB")


def _positive(option: str, text: str, units: Mapping[str, float], example: str) -> float:
    from drivers.errors import InputError
    from drivers.quantities import parse_quantity

    try:
        value = parse_quantity(text, units, example)
    except ValueError as error:
        raise InputError(f"{option}: {error}") from error
    if value <= 0.0:
        raise InputError(f"{option}: {text!r} is not above zero")
    return value


def _json(document: dict[str, Any]) -> str:
    return json.dumps(document, allow_nan=False, ensure_ascii=False)


def _console() -> Any:
    from rich.console import Console

    return Console()
