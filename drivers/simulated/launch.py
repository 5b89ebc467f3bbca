"""Starting the simulated bench in a process of its own, and ending it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from types import TracebackType

from drivers.errors import InputError, InstrumentError
from drivers.simulated.described.bench_description import read_description
from drivers.stop_signals import wait_ready

STOP_TIMEOUT_S = 5.0


class SimulatedBenchProcess:
    """A simulated bench that lives as long as this context, or as its parent does.

    Its standard input is a pipe from the parent, so it ends even if the parent is killed.

    Raises:
        InputError: the description is wrong, or the log cannot be written.
        InstrumentError: the process ended before it reported its addresses.
    """

    def __init__(
        self,
        description: Path,
        *,
        seed: int | None = None,
        pace: float | None = None,
        log: Path | None = None,
        first_started: float | None = None,
        start_number: int = 1,
    ) -> None:
        """Start a bench, or start it again: with `first_started` its clock goes on from then, and
        with the how manieth start it is (`start_number`) its draws are others.
        """
        read_description(description)
        command = [sys.executable, "-m", "drivers.simulated", str(description), "--until-eof"]
        options: dict[str, object] = {
            "--seed": seed,
            "--pace": pace,
            "--log": log,
            "--first-started": first_started,
            "--start-number": start_number,
        }
        for name, value in options.items():
            if value is not None:
                command += [name, str(value)]
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            # a Ctrl-C at the terminal is for the measurement, which then ends the bench in order
            start_new_session=True,
        )
        try:
            self.addresses = self._read_addresses(description)
        except BaseException:
            self.close()
            raise

    def _read_addresses(self, description: Path) -> dict[str, str]:
        if self._process.stdout is None:
            raise AssertionError("the process was started with a pipe")
        wait_ready([self._process.stdout])
        first_line = self._process.stdout.readline()
        if not first_line:
            status = self._process.wait()
            cause = InputError if status == InputError.exit_status else InstrumentError
            raise cause(
                f"the simulated bench did not start (exit status {status})",
                where=str(description),
                hint="see what it wrote above",
            )
        addresses: dict[str, str] = json.loads(first_line)
        return addresses

    @property
    def process_id(self) -> int:
        """The process of the bench."""
        return self._process.pid

    def wait(self) -> int:
        """Return the exit status once the process has ended by itself; a stop signal ends it."""
        if self._process.stdout is not None:
            wait_ready([self._process.stdout])  # it says no more, so that is the end
        return self._process.wait()

    def __enter__(self) -> SimulatedBenchProcess:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let the process end by itself, then make sure of it."""
        process = self._process
        if process.stdin is not None and not process.stdin.closed:
            process.stdin.close()
        try:
            process.wait(STOP_TIMEOUT_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if process.stdout is not None:
            process.stdout.close()
