"""Where the command begins: stop signals first, then what takes a second to import."""

from __future__ import annotations

import sys

from drivers.stop_signals import StopRequested, listen


def main() -> None:
    """Run the command line; a stop signal has an end of its own, from the first import on."""
    listen()
    try:
        from harness.commands.cli import main as run_command_line

        run_command_line()
    except StopRequested as request:
        # nothing that is imported here may be half imported
        sys.stderr.write(f"tareline: stopped by {request}\n")
        sys.exit(request.exit_status)
