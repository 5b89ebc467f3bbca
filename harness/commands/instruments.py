"""`tareline instruments`: who answers at which address, and a dialect tried on one instrument."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer


def instruments(
    addresses: Annotated[
        Optional[list[str]],  # noqa: UP045  (typer reads it at run time)
        typer.Argument(metavar="ADDRESS", help="VISA addresses, besides those found."),
    ] = None,
    station: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="Station file with addresses, dialects and the ceiling of power."),
    ] = None,
    check: Annotated[
        str,
        typer.Option(metavar="ROLE", help="Try a dialect step by step on the one address."),
    ] = "",
    dialect: Annotated[
        str, typer.Option(help="Name or file of the dialect to try; else the station's or SCPI-99.")
    ] = "",
    power: Annotated[
        str, typer.Option(help="Level while RF is on for sweeps, also the ceiling.")
    ] = "-30 dBm",
    start: Annotated[str, typer.Option(help="First frequency of the sweep.")] = "1 GHz",
    stop: Annotated[str, typer.Option(help="Last frequency of the sweep.")] = "2 GHz",
    points: Annotated[int, typer.Option(min=2, help="Points of the sweep.")] = 51,
    averages: Annotated[int, typer.Option(min=1, help="Readings to a point.")] = 1,
    if_bandwidth: Annotated[str, typer.Option(help="IF or resolution bandwidth.")] = "1 kHz",
    trace: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(help="S-parameter to read, once for each; by default all four."),
    ] = None,
    channel: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(help="Channel of a signal switch to close, once for each."),
    ] = None,
    zero: Annotated[
        bool, typer.Option("--zero", help="Zero the power meter: nothing may feed its sensor.")
    ] = False,
    timeout: Annotated[str, typer.Option(help="How long to wait for an answer.")] = "5 s",
    visa_library: Annotated[str, typer.Option(help="VISA library to use.")] = "@py",
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of text.")] = False,
) -> None:
    """List instruments and who they say they are, or try a dialect on one.

    With --check ROLE (network-analyzer, signal-generator, power-meter, spectrum-analyzer,
    signal-switch, thermometer) RF is switched on for a few sweeps at --power, and off again.
    """
    from harness.running.instruments_asked import InstrumentsAsked, TrialAsked, TrialSweep
    from harness.running.instruments_found import list_instruments, try_dialect

    asked = InstrumentsAsked(
        resources=tuple(addresses or ()),
        station=station,
        dialect=dialect,
        timeout=timeout,
        visa_library=visa_library,
        as_json=as_json,
    )
    if not check:
        raise typer.Exit(list_instruments(asked))
    sweep = TrialSweep(start, stop, points, averages, power, if_bandwidth)
    wanted = TrialAsked(check, sweep, tuple(trace or ()), tuple(channel or ()), zero)
    raise typer.Exit(try_dialect(asked, wanted))
