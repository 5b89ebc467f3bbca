"""`tareline dialect`: a dialect checked and shown with every default that holds."""

from __future__ import annotations

from typing import Annotated

import typer


def dialect(
    name: Annotated[
        str, typer.Argument(help="Shipped name or file; left out: lists the shipped ones.")
    ] = "",
    as_written: Annotated[
        bool, typer.Option("--as-written", help="The file with its comments, to copy.")
    ] = False,
) -> None:
    """Check a dialect and print all that holds in it, defaults included."""
    from harness.running.instruments_found import show_dialect

    show_dialect(name, as_written=as_written)
