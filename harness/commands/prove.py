"""`tareline prove`: how often the stated uncertainty and the verdicts would be right."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer

if TYPE_CHECKING:
    from harness.bench.procedure import Procedure

MOST_CAMPAIGNS = 1_000_000


def prove(
    item: Annotated[
        Optional[list[str]],  # noqa: UP045  (typer reads it at run time)
        typer.Option(help="Item to take, may be repeated; all without it."),
    ] = None,
    procedure: Annotated[str, typer.Option(help="Procedure, by name or file.")] = "qualify",
    insertions: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(min=1, help="Instead of the procedure's own number."),
    ] = None,
    sweeps: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(min=1, help="Instead of the procedure's own number."),
    ] = None,
    campaigns: Annotated[
        int, typer.Option(min=100, max=MOST_CAMPAIGNS, help="How many, for each item and band.")
    ] = 4000,
    noise: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(help='Noise of one sweep, as in "0.002 dB"; else a tenth of a connection.'),
    ] = None,
    true_loss: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(help='True loss of the item, as in "0.5 dB"; else what is expected.'),
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="The same gives the same.")] = 1,
    verdicts: Annotated[
        bool, typer.Option("--verdicts", help="Also every verdict around the limit.")
    ] = False,
    station: Annotated[Path, typer.Option(help="Station file.")] = Path("station.toml"),
    items: Annotated[Path, typer.Option(help="Items file.")] = Path("items.toml"),
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of tables.")] = False,
) -> None:
    """Simulate thousands of campaigns with this station and procedure; no instruments.

    Shows how often the stated interval holds the truth, and how often an item near its limit
    is passed or failed wrongly, with 95 % confidence intervals. Exit status 1 says that a
    stated uncertainty is not true.
    """
    from drivers.errors import InputError
    from harness.planning.campaign_world import Assumed
    from harness.planning.proving import Request
    from harness.planning.proving import prove as carry_out
    from harness.report.tables.proof_table import print_proof, proof_json
    from harness.report.words.suggested_command import suggested_command
    from harness.running.finding_procedures import find_procedure
    from harness.station.items import read_workplace

    workplace = read_workplace(station, items)
    found = find_procedure(procedure)
    if found.takes_lots:
        raise InputError(
            f"the procedure {found.name!r} measures lots, and a proof is of one item",
            hint="this comes close to a spot check:\n"
            + suggested_command("prove", "--insertions", "1", "--sweeps", "2", "--item", "ITEM"),
        )
    assumed = Assumed(
        noise_db=_decibels(noise, "--noise"), true_loss_db=_decibels(true_loss, "--true-loss")
    )
    parameters = _parameters(found, {"insertions": insertions, "sweeps": sweeps})
    request = Request(found, parameters, campaigns, seed, assumed)
    proof = carry_out(workplace, workplace.choose(item or []), request)
    if as_json:
        typer.echo(proof_json(proof))
    else:
        from rich.console import Console

        print_proof(proof, Console(), with_verdicts=verdicts)
    raise typer.Exit(0 if proof.holds else 1)


def _parameters(procedure: Procedure, given: dict[str, int | None]) -> dict[str, Any]:
    """The procedure's parameters: as given here, else its own defaults."""
    from drivers.errors import InputError

    own = {parameter.name: parameter for parameter in procedure.parameters}
    chosen = {name: value for name, value in given.items() if value is not None}
    if unknown := [name for name in chosen if name not in own]:
        raise InputError(
            f"the procedure {procedure.name!r} has no parameter {unknown[0]!r}",
            hint=f"leave --{unknown[0]} out",
        )
    for name, parameter in own.items():
        if name not in chosen:
            if parameter.default is parameter.empty:
                raise InputError(
                    f"the procedure {procedure.name!r} needs {name!r}, which has no default",
                    hint="give the parameter a default in the procedure's file",
                )
            chosen[name] = parameter.default
    return {name: chosen[name] for name in own}


def _decibels(text: str | None, option: str) -> float | None:
    from drivers.errors import InputError
    from drivers.quantities import RATIO_UNITS, parse_quantity

    if text is None:
        return None
    try:
        value = parse_quantity(text, RATIO_UNITS, "0.5 dB")
    except ValueError as error:
        raise InputError(f"{option}: {error}") from error
    if option == "--noise" and value < 0.0:
        raise InputError(f"{option}: {text!r} is negative", hint="noise is a standard deviation")
    return value
