"""A watchdog process that switches a source off when the program that switched it on is killed.

No program can tidy up after SIGKILL or a crash of the interpreter. The guard holds one end of a
pipe whose other end is the program's: when that closes without the agreed farewell, it opens a
link of its own and sends the source's commands for "abort" and "RF off".
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict
from types import TracebackType

from drivers.errors import InstrumentError, LinkError, TarelineError
from drivers.link.link import DEFAULT_WIRE, Link, load_visa_library
from drivers.link.wire import WireSettings
from drivers.stop_signals import wait_ready

READY = b"watching\n"
FAREWELL = b"all is off\n"
TIMEOUT_S = 2.0
PERSISTENCE_S = 5.0
"""How long an instrument that takes no connection is asked again: it may serve one client at a
time, and not have noticed yet that the last one is gone."""
RETRY_S = 0.1
ACTING_MARGIN_S = 2.0 * TIMEOUT_S


class Guard:
    """Watches over a source until it is dismissed.

    Leaving the context without `dismiss` makes it act, and waits until it has. The guard has a
    session of its own, so that Ctrl-C at the terminal ends the program but not its guard.

    Raises:
        InstrumentError: the guard did not start.
    """

    def __init__(
        self,
        resource: str,
        commands: Sequence[str],
        wire: WireSettings = DEFAULT_WIRE,
        *,
        visa_library: str = "@py",
        persistence_s: float = PERSISTENCE_S,
        inherited: Sequence[int] = (),
    ) -> None:
        """Start watching; `inherited` descriptors stay open for as long as the guard lives."""
        self._acting_s = persistence_s + ACTING_MARGIN_S
        self._process = subprocess.Popen(
            [sys.executable, "-m", "drivers.link.guard"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
            pass_fds=tuple(inherited),
        )
        if self._process.stdin is None or self._process.stdout is None:
            raise AssertionError("the process was started with pipes")
        self._to_guard = self._process.stdin
        task = {
            "resource": resource,
            "commands": list(commands),
            "wire": asdict(wire),
            "visa_library": visa_library,
            "persistence_s": persistence_s,
        }
        try:
            with suppress(BrokenPipeError):  # then it is not ready either
                self._to_guard.write(json.dumps(task).encode() + b"\n")
                self._to_guard.flush()
            wait_ready([self._process.stdout])
            ready = self._process.stdout.readline()
        except BaseException:
            self._end()
            raise
        if ready != READY:
            self._end()
            raise InstrumentError(
                "the guard that switches RF off if this program is killed did not start",
                where=resource,
                hint="see what it wrote above; nothing was switched on",
            )

    @property
    def process_id(self) -> int:
        """The process of the guard."""
        return self._process.pid

    @property
    def is_watching(self) -> bool:
        """Whether it is there to act."""
        return self._process.poll() is None

    def dismiss(self) -> None:
        """Send the guard away; it leaves the source as it is. Harmless when it is gone."""
        if self._to_guard.closed:
            return
        with suppress(BrokenPipeError):  # it is gone, as it should be
            self._to_guard.write(FAREWELL)
            self._to_guard.flush()
        self._end()

    def close(self) -> None:
        """Have the guard act, unless it was dismissed, and wait until it has."""
        self._end()

    def _end(self) -> None:
        with suppress(BrokenPipeError):
            self._to_guard.close()
        try:
            self._process.wait(self._acting_s)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()

    def __enter__(self) -> Guard:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def send_commands(
    resource: str,
    commands: Sequence[str],
    wire: WireSettings,
    *,
    visa_library: str = "@py",
    persistence_s: float = PERSISTENCE_S,
) -> None:
    """Send commands over a link of their own and see that they were taken.

    Raises:
        InputError: the resource is no VISA address.
        InstrumentError: the instrument could not be reached, or does not answer.
    """
    end_s = time.monotonic() + persistence_s
    while True:
        link = Link(resource, timeout_s=TIMEOUT_S, visa_library=visa_library, wire=wire)
        try:
            # the commands go first: an instrument that is slow to identify itself is off by then
            link.connect()
            link.clear()
            for command in commands:
                link.write(command)
            link.query("*IDN?")
            return
        except LinkError:
            if time.monotonic() > end_s:
                raise
            time.sleep(RETRY_S)
        finally:
            link.close()


def main() -> int:
    """Watch over what standard input says; the exit status is not 0 if RF may be on."""
    # those who end it are the program, by the farewell or by its own end, and SIGKILL
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    first = sys.stdin.buffer.readline()
    if not first.endswith(b"\n"):
        return 0  # the program ended before it could switch anything on
    task = json.loads(first)
    task["wire"] = WireSettings(**task["wire"])
    loading = threading.Thread(target=_load, args=(task["visa_library"],), daemon=True)
    loading.start()
    try:
        sys.stdout.buffer.write(READY)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        _abandon_output()
        return 0  # the program ended before it could switch anything on
    if sys.stdin.buffer.readline() == FAREWELL:
        return 0
    loading.join()
    resource, commands = task.pop("resource"), task.pop("commands")
    try:
        send_commands(resource, commands, **task)
    except TarelineError as error:
        _tell(f"RF may be ON: the guard could not switch it off. {error}")
        return error.exit_status
    _tell(f"the program ended without tidying up; its guard sent {commands} to {resource}")
    return 0


def _load(visa_library: str) -> None:
    """Have the VISA library at hand, so that acting takes no time."""
    with suppress(TarelineError):  # it is told when the library is needed
        load_visa_library(visa_library)


def _abandon_output() -> None:
    """Nobody reads it: the interpreter would complain of what is left in it at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _tell(text: str) -> None:
    with suppress(OSError):  # the terminal may have gone with the program
        print(f"tareline: {text}", file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
