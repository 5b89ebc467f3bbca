"""The command `tareline plan`: what a measurement would find out, before it is made."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

MOST_CHOICES = 40


def plan(
    item: Annotated[
        Optional[list[str]],  # noqa: UP045  (typer reads it at run time)
        typer.Option(help="Item to plan for, may be repeated; all without it."),
    ] = None,
    insertions: Annotated[str, typer.Option(help="Numbers of insertions to compare.")] = "3,5,10",
    sweeps: Annotated[str, typer.Option(help="Numbers of sweeps to compare.")] = "4",
    makings: Annotated[
        int, typer.Option(min=1, max=100, help="Times the through is joined at each check.")
    ] = 1,
    check_every: Annotated[
        int, typer.Option(min=0, help="Check the zero after every so many insertions, too.")
    ] = 0,
    true_loss: Annotated[
        str, typer.Option(help='What the item truly loses, as "0.5 dB"; else what is expected.')
    ] = "",
    connecting: Annotated[
        str, typer.Option(help="Time that one connection takes by hand.")
    ] = "60 s",
    noise: Annotated[str, typer.Option(help='Noise of one sweep, as "0.002 dB", if known.')] = "",
    station: Annotated[Path, typer.Option(help="Station file.")] = Path("station.toml"),
    items: Annotated[Path, typer.Option(help="Items file.")] = Path("items.toml"),
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of tables.")] = False,
) -> None:
    """Predict U, time and the chance of a clear verdict before anything is measured.

    The plan is that of `tareline run qualify`, for each number of insertions with each number
    of sweeps.
    """
    from drivers.quantities import RATIO_UNITS, TIME_UNITS
    from harness.planning.campaign_world import Assumed
    from harness.planning.planned import PlannedChoice, plan_items
    from harness.running.finding_procedures import find_procedure
    from harness.station.items import read_workplace

    choices = [
        PlannedChoice(count, each, makings, check_every)
        for each in _counts("--sweeps", sweeps)
        for count in _counts("--insertions", insertions)
    ]
    assumed = Assumed(
        noise_db=_quantity("--noise", noise, RATIO_UNITS, "0.002 dB") if noise else None,
        true_loss_db=_quantity("--true-loss", true_loss, RATIO_UNITS, "0.5 dB")
        if true_loss
        else None,
    )
    connecting_s = _quantity("--connecting", connecting, TIME_UNITS, "60 s")
    workplace = read_workplace(station, items)
    plans = plan_items(
        workplace,
        workplace.choose(item or []),
        find_procedure("qualify").function,
        choices,
        assumed,
        connecting_s=connecting_s,
    )
    if as_json:
        import json

        from harness.report.files.plan_json import as_dict

        typer.echo(json.dumps(as_dict(plans), allow_nan=False, ensure_ascii=False))
        return
    from rich.console import Console

    from harness.report.tables.plan_table import print_plans

    print_plans(plans, Console())


def _counts(option: str, text: str) -> list[int]:
    """Whole numbers from "3,5,10", each once.

    Raises:
        InputError: it is no list of numbers above 0, or a longer one than anybody compares.
    """
    from drivers.errors import InputError

    words = [word.strip() for word in text.split(",")]
    if not all(word.isascii() and word.isdigit() and 0 < int(word) <= 1000 for word in words):
        raise InputError(
            f"{option} {text!r} is not a list of whole numbers from 1 to 1000",
            hint=f'write it like {option} "3,5,10"',
        )
    counts = list(dict.fromkeys(int(word) for word in words))
    if len(counts) > MOST_CHOICES:
        raise InputError(f"{option} compares more than {MOST_CHOICES} choices: leave some out")
    return counts


def _quantity(option: str, text: str, units: dict[str, float], example: str) -> float:
    from drivers.errors import InputError
    from drivers.quantities import parse_quantity

    try:
        value = parse_quantity(text, units, example)
    except ValueError as error:
        raise InputError(f"{option}: {error}") from error
    if value < 0.0:
        raise InputError(f"{option} {text!r} is below zero")
    return value
