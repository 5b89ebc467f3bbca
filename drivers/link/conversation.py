"""A conversation in messages and answers over a wire, whichever it is; see `drivers.link.link`."""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from functools import partial
from typing import TypeVar

from drivers.errors import (
    AnswerError,
    HalfAnswerError,
    InputError,
    LinkError,
    PeerClosedError,
    SilentError,
    TarelineError,
)
from drivers.link.link_reports import Report
from drivers.link.traffic_log import TrafficLog
from drivers.link.wire import (
    AnswerReader,
    BadBlock,
    ClosedByPeer,
    Deadline,
    TimeOver,
    Wire,
    WireSettings,
)
from drivers.stop_signals import look, sleep

EVENTS = (TimeOver, ClosedByPeer, BadBlock, OSError, ValueError)
"""What the layers below raise, UnicodeDecodeError among the last."""
RETRIED = (SilentError, PeerClosedError, HalfAnswerError)

_Answer = TypeVar("_Answer")
_Error = TypeVar("_Error", bound=TarelineError)


class Conversation(ABC):
    """Messages to one instrument and its answers, in step.

    Raises, from every method: a `LinkError` without a connection or an answer in time, told
    apart by its subclasses; `AnswerError` for an answer that cannot be read. After one of these
    it is out of step, and `reopen` is the way on.

    Every answer has `timeout_s`, by the monotonic clock, to be whole; see `Deadline`.
    """

    def __init__(
        self, resource: str, timeout_s: float, wire: WireSettings, log: TrafficLog | None
    ) -> None:
        self.resource = resource
        self.timeout_s = timeout_s
        self.identity = ""
        self.reconnections: list[str] = []
        """What was wrong each time that a question was asked again on a fresh connection."""
        self.wire = wire
        self._log = log
        self._wire: Wire | None = None
        self._reader: AnswerReader | None = None
        self._answer_outstanding = False
        self._ready_s = 0.0

    @abstractmethod
    def connect(self) -> None:
        """Connect without asking who is there."""

    @abstractmethod
    def close(self) -> None:
        """End the connection; harmless when there is none."""

    def open(self) -> str:
        """Connect and identify; returns the answer to `*IDN?`."""
        self.connect()
        try:
            self.identity = self.query("*IDN?")
        except BaseException:
            self.close()
            raise
        return self.identity

    def reopen(self) -> str:
        """Start over on a fresh connection, which forgets any half-read answer."""
        self.close()
        return self.open()

    @property
    def in_step(self) -> bool:
        """Whether the link is open and no answer is outstanding."""
        return self._wire is not None and not self._answer_outstanding

    def write(self, command: str) -> None:
        """Send one message that has no answer."""
        wire, _ = self._open_wire(command)
        message = self._encoded(command)
        outstanding, self._answer_outstanding = self._answer_outstanding, True
        try:
            self._send(wire, command, message)
        except EVENTS as error:
            raise self._in_words(error, command) from error
        self._answer_outstanding = outstanding

    def query(
        self, command: str, *, timeout_s: float | None = None, is_idempotent: bool = False
    ) -> str:
        """Send one message and return its one-line answer without the line end.

        `is_idempotent` says that asking again does no harm and gives the same; then it is asked
        once more, on a fresh connection, after silence, half an answer or a lost link.
        """
        return self._ask(command, self._read_text, timeout_s, is_idempotent)

    def query_number(
        self, command: str, *, timeout_s: float | None = None, is_idempotent: bool = False
    ) -> float:
        """Send one query and return its answer as a number; see `query`."""
        answer = self._ask(command, self._read_text, timeout_s, is_idempotent)
        try:
            return float(answer)
        except ValueError:
            raise self._report(command).unreadable(repr(answer), "a number") from None

    def query_block(
        self, command: str, *, timeout_s: float | None = None, is_idempotent: bool = False
    ) -> bytes:
        """Send one query and return the payload of its definite-length block; see `query`.

        The form is `#<n><n digits: length><payload>` (IEEE 488.2-1992, 8.7.9).
        """
        return self._ask(command, self._read_block, timeout_s, is_idempotent)

    def query_blocks(self, command: str, count: int) -> tuple[list[bytes], str]:
        """Send several queries in one message, of which the first `count` answer with blocks.

        Returns the payloads, and the text of all further answers as it came.
        """
        return self._ask(command, partial(self._read_blocks, count), None, False)

    def _read_text(self, reader: AnswerReader, deadline: Deadline) -> str:
        line = reader.line(deadline)
        if self._log is not None:
            self._log.received(self.resource, line)
        return line.decode(self.wire.encoding).strip()

    def _read_block(self, reader: AnswerReader, deadline: Deadline) -> bytes:
        payload = reader.block(deadline)
        if self._log is not None:
            self._log.received(self.resource, b"#%d%d" % (len(str(len(payload))), len(payload)))
        return payload

    def _read_blocks(
        self, count: int, reader: AnswerReader, deadline: Deadline
    ) -> tuple[list[bytes], str]:
        payloads, rest = reader.blocks(count, deadline)
        if self._log is not None:
            sizes = b";".join(b"#%d%d" % (len(str(len(one))), len(one)) for one in payloads)
            self._log.received(self.resource, sizes + b";" + rest)
        return payloads, rest.decode(self.wire.encoding).strip()

    def _ask(
        self,
        command: str,
        read: Callable[[AnswerReader, Deadline], _Answer],
        timeout_s: float | None,
        is_idempotent: bool,
    ) -> _Answer:
        allowed_s = self.timeout_s if timeout_s is None else timeout_s
        if not is_idempotent:
            return self._exchange(command, read, allowed_s)
        try:
            return self._exchange(command, read, allowed_s)
        except RETRIED as error:
            self._note("asking again on a fresh connection")
            self.reopen()
            self.reconnections.append(f"{error.what} ({self.resource})")
            return self._exchange(command, read, allowed_s)

    def _exchange(
        self, command: str, read: Callable[[AnswerReader, Deadline], _Answer], allowed_s: float
    ) -> _Answer:
        """Send a query when the next answer will be its own; in step again once all was read."""
        wire, reader = self._open_wire(command)
        message = self._encoded(command)
        if self._answer_outstanding:
            raise self._report(command).out_of_step()
        self._answer_outstanding = True
        try:
            self._require_in_step(reader, command)
            self._send(wire, command, message)
            if self.wire.query_delay_s > 0.0:
                sleep(self.wire.query_delay_s)
            answer = read(reader, Deadline(allowed_s, baud_rate=self.wire.baud_rate))
        except EVENTS as error:
            raise self._in_words(error, command, allowed_s) from error
        self._answer_outstanding = False
        return answer

    def _require_in_step(self, reader: AnswerReader, command: str) -> None:
        """See that nothing came unasked, which the answer could be mistaken for."""
        try:
            unasked = reader.begin()
        except ClosedByPeer as event:
            raise self._logged(self._report(command).gone(str(event))) from event
        if unasked:
            raise self._logged(self._report(command).out_of_step(unasked))

    def _encoded(self, command: str) -> bytes:
        try:
            return (command + self.wire.termination).encode(self.wire.encoding)
        except UnicodeEncodeError as error:
            raise InputError(
                f"{command!r} cannot be sent as {self.wire.encoding}: {error.reason}",
                where=self._where,
                hint="write the command in the dialect with plain characters, or change `encoding`",
            ) from error

    def _send(self, wire: Wire, command: str, message: bytes) -> None:
        if self.wire.write_delay_s > 0.0:
            sleep(max(0.0, self._ready_s - time.monotonic()))
        if self._log is not None:
            self._log.sent(self.resource, message)
        try:
            wire.send(message, self.timeout_s)
        except TimeOver as error:
            raise self._report(command).not_taken(self.timeout_s) from error
        if self.wire.write_delay_s > 0.0:
            self._ready_s = time.monotonic() + self.wire.write_delay_s

    def _note(self, text: str) -> None:
        if self._log is not None:
            self._log.noted(self.resource, text)

    def _report(self, sent: str) -> Report:
        return Report(sent, self._where)

    @property
    def _where(self) -> str:
        return f"{self.resource} ({self.identity or 'not identified yet'})"

    def _open_wire(self, sent: str) -> tuple[Wire, AnswerReader]:
        """Also where a stop signal takes effect, before anything is sent."""
        look()
        if self._wire is None or self._reader is None:
            raise LinkError(
                f"cannot send {sent!r}: the link is closed",
                where=self._where,
                hint="open it first; it is closed after a connection was lost",
            )
        return self._wire, self._reader

    def _in_words(self, event: Exception, sent: str, allowed_s: float | None = None) -> Exception:
        """The error of ours for one of `EVENTS`; also logged."""
        report, reader = self._report(sent), self._reader
        allowed_s = self.timeout_s if allowed_s is None else allowed_s
        received, promised, came = b"", None, 0
        if reader is not None:
            received, promised, came = reader.received, reader.promised, reader.payload_received
        error: LinkError | AnswerError
        match event:
            case TimeOver():
                error = report.too_late(allowed_s, received, promised, came)
            case ClosedByPeer():
                error = report.closed(str(event), received, promised, came)
            case BadBlock():
                error = report.unreadable(event.received, event.expected)
            case UnicodeDecodeError():
                error = report.unreadable(repr(event.object[:40]), "plain text")
            case _:
                error = report.failed(event)
        return self._logged(error)

    def _logged(self, error: _Error) -> _Error:
        self._note(error.what)
        return error
