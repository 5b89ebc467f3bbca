"""Every error that Tareline raises on purpose.

    TarelineError               something a person has to know about
    |-- InputError              a file, option or item that cannot be used (exit status 2)
    |-- RunFileError            a run file could not be written (3)
    |   `-- LostFileError           it was removed while it was written
    |-- UnwritableError         another file that was asked for could not be written (3)
    |-- NotJoinedError          the leads were not joined when they should have been (3)
    |-- ZeroMovedError          a stopped run cannot go on: its zero is elsewhere (3)
    |-- ProcedureError          a procedure raised something of its own (3)
    |-- BusyError               another process has the instrument or the run file (3)
    |-- StoppedError            a signal ended a run (128 + its number)
    |-- LeftError               the operator ended a run, or left an item out (1)
    |-- NothingSweptError       a run came to its end without a sweep of its item (1)
    `-- InstrumentError         an instrument could not do what was asked (3)
        |-- LinkError           no connection, or no answer
        |   |-- RefusedConnectionError   nobody takes connections at the address
        |   |-- SilentError              nothing came back in time
        |   |-- PeerClosedError          the other side ended the connection
        |   `-- HalfAnswerError          an answer began and did not end in time
        |-- AnswerError         an answer that does not mean what it should
        `-- RefusedError        the instrument put an error into its queue

Each says what happened, where, and what to try next.
"""

from __future__ import annotations

import os
from pathlib import Path


class TarelineError(Exception):
    """Something a person has to know about: what happened, where, what to try."""

    exit_status: int = 3

    def __init__(self, what: str, *, where: str = "", hint: str = "") -> None:
        super().__init__(what, where, hint)
        self.what = what
        self.where = where
        self.hint = hint

    def __str__(self) -> str:
        lines = [self.what]
        if self.where:
            lines.append(f"  where: {self.where}")
        if self.hint:
            first, *more = self.hint.split("\n")
            # a command to paste stands on a line of its own
            lines.append("\n         ".join(["  try:   " + first, *more]))
        return "\n".join(lines)


class InputError(TarelineError):
    """A file, option or item that cannot be used as it stands."""

    exit_status = 2


class RunFileError(TarelineError):
    """A run file could not be written."""


class LostFileError(RunFileError):
    """A run file was removed while it was written, and its sweeps with it."""


class UnwritableError(TarelineError):
    """A file that was asked for could not be written; names that file, and no draft of it."""

    def __init__(self, path: Path, error: OSError) -> None:
        super().__init__(
            f"{str(path)!r} cannot be written: {reason(error)}",
            hint="name a folder that is there and may be written to",
        )


def reason(error: Exception) -> str:
    """Why the system refused a file, without the name of a draft that nobody asked for."""
    number = getattr(error, "errno", None)
    return os.strerror(number) if number else str(error)


class NotJoinedError(TarelineError):
    """The leads do not conduct although they should be joined.

    `is_first_sweep` tells that no sweep of this making was kept, so that it can be made again.
    """

    def __init__(self, what: str, *, is_first_sweep: bool) -> None:
        super().__init__(
            what,
            hint="join the leads as prompted, tighten both connections, and measure again",
        )
        self.is_first_sweep = is_first_sweep


class ZeroMovedError(TarelineError):
    """The zero of a stopped run is not where it was, so the run cannot go on with it."""


class ProcedureError(TarelineError):
    """A procedure raised something of its own; carries the place."""


class BusyError(TarelineError):
    """Another process drives the instrument, or writes the run file."""


class StoppedError(TarelineError):
    """A run was ended by a signal; the exit status is 128 plus its number."""


class LeftError(TarelineError):
    """At a prompt the operator ended a run, or left an item out, so that it has no verdict."""

    exit_status = 1


class NothingSweptError(TarelineError):
    """A run came to its end without a sweep of its item, so that it has no verdict."""

    exit_status = 1


class InstrumentError(TarelineError):
    """An instrument could not do what was asked of it."""


class LinkError(InstrumentError):
    """No connection to an instrument, or no answer from it."""


class RefusedConnectionError(LinkError):
    """Something is at the address, but it takes no connections there."""


class SilentError(LinkError):
    """Nothing came back in time, or nothing is at the address."""


class PeerClosedError(LinkError):
    """The other side ended the connection, before or inside an answer."""


class HalfAnswerError(LinkError):
    """An answer began but did not end in time."""


class AnswerError(InstrumentError):
    """An instrument answered something that does not mean what it should."""


class RefusedError(InstrumentError):
    """An instrument reported an error in its own queue."""
