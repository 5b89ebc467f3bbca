"""`tareline catalogue`: the parts that are known, and what stands behind one of them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer


def catalogue(
    name: Annotated[
        Optional[str],  # noqa: UP045  (typer reads it at run time)
        typer.Argument(metavar="PART", help="One part, with all that is known of it."),
    ] = None,
    station: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="Station whose own parts count too; station.toml if there."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of text.")] = False,
) -> None:
    """List cables, connectors and adapters, or show one with its sources."""
    from drivers.errors import InputError
    from harness.analysis.expected.catalogue_parts import UnknownPartError
    from harness.commands.expect import known_parts
    from harness.report.files.catalogue_json import entry_json, list_json
    from harness.report.tables.catalogue_table import print_entry, print_list

    known = known_parts(station)
    if name is None:
        entry = None
    else:
        try:
            entry = known.find(name)
        except UnknownPartError as error:
            raise InputError(str(error), hint="`tareline catalogue` lists all of them") from error
    if as_json:
        import json

        whole = list_json(known) if entry is None else entry_json(entry)
        typer.echo(json.dumps(whole, allow_nan=False, ensure_ascii=False))
        return
    from rich.console import Console

    console = Console(highlight=False)
    if entry is None:
        print_list(known, console)
    else:
        print_entry(entry, console)
