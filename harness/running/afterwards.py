"""The command that a person wants carried out when a run has ended, whatever its end was."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import typer

from drivers.errors import TarelineError
from drivers.stop_signals import StopRequested, StopSignals, heeded, sleep
from harness.report.words.complaint import complain, tell_error

LONGEST_MESSAGE = 2000
LOOKING_S = 0.05
"""From one look to the next whether the command has ended."""
STANDARD_ERROR = 2


@dataclass
class RunEnding:
    """How a run, or a round over several items, has ended; filled in on the way."""

    status: int = 0
    """Exit status."""
    runs: list[Path] = field(default_factory=list)
    """Run files that were begun, finished or not, in order."""
    verdict: str = ""
    """The worst of the runs, in a word; empty where there is none."""
    message: str = ""
    """What happened, for people."""

    def as_environment(self) -> dict[str, str]:
        """As environment variables; no text of an instrument ever stands in the command itself."""
        message = " ".join(self.message.replace("\0", " ").split())
        return {
            "TARELINE_STATUS": str(self.status),
            "TARELINE_RUNS": os.pathsep.join(str(run.absolute()) for run in self.runs),
            "TARELINE_VERDICT": self.verdict,
            "TARELINE_MESSAGE": message[:LONGEST_MESSAGE],
        }


@contextmanager
def afterwards(command: str) -> Iterator[RunEnding]:
    """Carry `command` out after what is inside, however that ends; without one changes nothing.

    Errors of what is inside are told before, and leave as the exit status that they deserve.

    Raises:
        typer.Exit: at the end, with the exit status of it all; see `run_afterwards`.
    """
    outcome = RunEnding()
    if not command.strip():
        yield outcome
        return
    try:
        yield outcome
    except typer.Exit as end:
        outcome.status = end.exit_code
    except StopRequested as request:
        heeded()
        outcome.status, outcome.message = request.exit_status, f"stopped by {request}"
        complain(f"tareline: {outcome.message}")
    except Exception as error:  # noqa: BLE001
        outcome.status = tell_error(error)
        outcome.message = str(error) or type(error).__name__
    raise typer.Exit(run_afterwards(command, outcome))


def run_afterwards(command: str, outcome: RunEnding) -> int:
    """Carry `command` out in a shell and wait for it; returns the exit status of it all.

    That is the status of the run, but 3 where the run was good and the command failed, and 128 + n
    where the run was good and signal n ended the waiting. The command has nothing to read; what it
    writes goes to standard error.
    """
    environment = {**os.environ, **outcome.as_environment()}
    trouble, status = "", TarelineError.exit_status
    try:
        process = subprocess.Popen(
            command,
            shell=True,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=STANDARD_ERROR,
        )
    except OSError as error:
        trouble = f"cannot be started: {error}"
    else:
        try:
            with StopSignals():
                while (ended := process.poll()) is None:
                    sleep(LOOKING_S)
            if ended:
                trouble = f"failed with exit status {ended}"
        except StopRequested as request:
            trouble = f"is not waited for any longer, because of {request}; it may go on by itself"
            status = request.exit_status
    if not trouble:
        return outcome.status
    complain(f"tareline: the command after the run {trouble}\n  where: --then {command!r}")
    return outcome.status or status
