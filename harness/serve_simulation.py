"""Serving a simulated bench on its own, for people who write procedures and dialects."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

from drivers.simulated.description import read_description


def serve_until_stopped(bench: Path, seed: int | None, pace: float | None) -> int:
    """Serve until a signal ends it; returns the exit status.

    Raises:
        InputError: the description is wrong.
    """
    read_description(bench)
    command = [sys.executable, "-m", "drivers.simulated", str(bench)]
    if seed is not None:
        command += ["--seed", str(seed)]
    if pace is not None:
        command += ["--pace", str(pace)]
    print(
        "Simulated bench. Its addresses follow as JSON: give `analyzer` to analyzer.resource and "
        "`hand` to simulation.hand in a station file. Ctrl-C ends it.",
        file=sys.stderr,
        flush=True,
    )
    with subprocess.Popen(command) as process:
        # the signal reaches the child as well, which then ends in order
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        signal.signal(signal.SIGTERM, lambda *_: process.terminate())
        return process.wait()
