"""`tareline simulate`: a simulated bench by itself, for who writes procedures and dialects."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Optional

import typer

HAND_KEY = "simulation.hand"
"""Where in a station file the addresses go."""


def simulate(
    bench: Annotated[Path, typer.Option(help="Bench description.")] = Path("simulated-bench.toml"),
    seed: Annotated[
        Optional[int],  # noqa: UP045  (typer reads it at run time)
        typer.Option(min=0, help="Instead of the one described."),
    ] = None,
    pace: Annotated[
        Optional[float],  # noqa: UP045
        typer.Option(min=0.0, help="Real seconds per simulated second; 0 sweeps at once."),
    ] = None,
    log: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(
            help="Log every message to this file, written anew; - is standard error.",
            metavar="FILE|-",
        ),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="The addresses as one line of JSON.")
    ] = False,
) -> None:
    """Serve a simulated bench until Ctrl-C, for writing procedures and dialects."""
    raise typer.Exit(_serve_until_stopped(bench, seed=seed, pace=pace, log=log, as_json=as_json))


def _serve_until_stopped(
    bench: Path, *, seed: int | None, pace: float | None, log: Path | None, as_json: bool
) -> int:
    """Serve until a signal ends it; returns the exit status.

    It is 0 after a signal: unlike a run that is cut short, a server has done all of its work
    when it is told to stop.

    Raises:
        InputError: the description is wrong.
        InstrumentError: the bench did not start, or ended by itself.
    """
    from drivers.errors import InstrumentError
    from drivers.simulated.described.bench_description import read_description
    from drivers.simulated.launch import SimulatedBenchProcess
    from drivers.stop_signals import StopRequested, StopSignals

    try:
        with (
            StopSignals(),
            SimulatedBenchProcess(bench, seed=seed, pace=pace, log=log) as process,
        ):
            if as_json:
                print(json.dumps(process.addresses), flush=True)
            else:
                shown_seed = read_description(bench).seed if seed is None else seed
                print(_address_list(bench, shown_seed, process.addresses), flush=True)
            status = process.wait()
            raise InstrumentError(
                f"the simulated bench ended by itself (exit status {status})",
                where=str(bench),
                hint="see what it wrote above, and start it again",
            )
    except StopRequested:
        return 0


def _address_list(bench: Path, seed: int, addresses: Mapping[str, str]) -> str:
    """What a person needs to know to use a running bench."""
    rows = [
        (name, resource, HAND_KEY if name == "hand" else f"{name}.resource")
        for name, resource in addresses.items()
    ]
    titled = [("instrument", "resource", "key in the station file"), *rows]
    widths = [max(len(row[column]) for row in titled) for column in range(2)]
    # 80 columns hold the longest name and the longest port
    lines = [f"  {name:{widths[0]}} {where:{widths[1]}} {key}" for name, where, key in titled]
    return "\n".join(
        [
            f"Simulated bench {bench}, seed {seed}: everything it reads is SIMULATED.",
            "",
            *lines,
            "",
            "In the station file [simulation] then has hand, not bench, and each instrument",
            "its resource. The hand makes the connections; without [simulation] you are asked",
            "for them, and nobody makes them here.",
            "Ctrl-C ends the bench.",
        ]
    )
