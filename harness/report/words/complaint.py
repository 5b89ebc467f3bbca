"""An error told to people on standard error, and the exit status that goes with it."""

from __future__ import annotations

import traceback

from drivers.errors import TarelineError

COMMAND = "tareline "
"""With which a command begins."""


def complain(message: str) -> None:
    """Show a message on standard error, broken between words at a terminal.

    A line that is a command stays whole, so that it can be pasted.
    """
    from rich.console import Console

    console = Console(stderr=True)
    for line in message.split("\n"):
        is_whole = not console.is_terminal or line.lstrip().startswith(COMMAND)
        console.print(line, markup=False, highlight=False, soft_wrap=is_whole)


def tell_error(error: Exception) -> int:
    """Tell what went wrong; returns the exit status.

    What is none of our errors is a defect: never the status of a finished run with a verdict
    that is not a pass.
    """
    if isinstance(error, TarelineError):
        complain(f"tareline: {error}")
        return error.exit_status
    traceback.print_exception(error)
    complain("tareline: this is a defect of Tareline; the lines above say where")
    return TarelineError.exit_status
