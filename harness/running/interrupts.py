"""Stopping on a signal, but never in the middle of something that must be finished."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType, TracebackType
from typing import Any

STOP_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class StopRequested(KeyboardInterrupt):
    """A person or a scheduler asked for an end; carries the signal's number."""

    def __init__(self, number: int) -> None:
        super().__init__(signal.Signals(number).name)
        self.number = number

    @property
    def exit_status(self) -> int:
        """128 plus the signal's number, as shells have it."""
        return 128 + self.number


class StopSignals:
    """While entered, stop signals raise `StopRequested`, at once or after a deferred section."""

    def __init__(self) -> None:
        self._depth = 0
        self._received: int | None = None
        self._previous: dict[int, Any] = {}

    def __enter__(self) -> StopSignals:
        if threading.current_thread() is threading.main_thread():
            # a signal that the parent ignores (nohup) stays ignored
            self._previous = {
                number: signal.signal(number, self._receive)
                for number in STOP_SIGNALS
                if signal.getsignal(number) is not signal.SIG_IGN
            }
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for number, handler in self._previous.items():
            signal.signal(number, handler)

    @contextmanager
    def deferred(self) -> Iterator[None]:
        """A section that a stop signal does not break into; it takes effect at its end."""
        self._depth += 1
        try:
            yield
        finally:
            self._depth -= 1
        if self._received is not None and self._depth == 0:
            raise StopRequested(self._received)

    @contextmanager
    def shutting_down(self) -> Iterator[None]:
        """A last section after which nothing is left to stop; signals in it are dropped."""
        self._depth += 1
        try:
            yield
        finally:
            self._depth -= 1
            self._received = None

    def _receive(self, number: int, frame: FrameType | None) -> None:
        if self._depth:
            self._received = number
        else:
            raise StopRequested(number)
