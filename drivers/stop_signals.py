"""Stop signals (INT, TERM, HUP): remembered while instruments work, heeded where work may end.

An exception that a handler raises comes up in whatever runs just then. Where that is the callback
of a weak reference, or a finalizer, Python prints and drops it, and the work goes on with RF on. So
while `StopSignals` is entered the handler only remembers. `look` raises: before each message to an
instrument, in every wait, and at the end of a deferred section. Without any (`listen`) a signal
ends the program at once, or within `GRACE_S` where its exception was dropped.
"""

from __future__ import annotations

import os
import select
import signal
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from types import FrameType, TracebackType
from typing import Any, NoReturn, Protocol

STOPPING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
INSISTING_S = 1.0
"""After the first signal a further one is insisting; a terminal that closes sends two at once."""
GRACE_S = 2.0
STANDARD_ERROR = 2
SHOW_CURSOR = b"\x1b[?25h"


class StopRequested(BaseException):
    """A person or a scheduler asked for an end; carries the signal's number.

    No `KeyboardInterrupt`, for which libraries have ends of their own.
    """

    def __init__(self, number: int) -> None:
        super().__init__(signal.Signals(number).name)
        self.number = number

    @property
    def exit_status(self) -> int:
        """128 plus the signal's number, as shells have it."""
        return 128 + self.number


class HasDescriptor(Protocol):
    """What can be waited for."""

    def fileno(self) -> int:
        """Its descriptor."""


class StopSignals:
    """While entered, stop signals are remembered, and `look` raises `StopRequested` for them.

    A signal that is repeated after `INSISTING_S` ends the process there and then: whatever holds
    the first one up may hang. The guard switches RF off then.
    """

    def __init__(self) -> None:
        self._depth = 0
        self._is_insistence_ignored = False
        self._received: int | None = None
        self._received_s = 0.0
        self._previous: dict[int, Any] = {}
        self._outer: StopSignals | None = None
        self._outer_wakeup = -1
        self._woken, self._waking = -1, -1

    def __enter__(self) -> StopSignals:
        global _entered
        if threading.current_thread() is threading.main_thread():
            self._woken, self._waking = os.pipe()
            os.set_blocking(self._woken, False)
            os.set_blocking(self._waking, False)
            self._outer_wakeup = signal.set_wakeup_fd(self._waking, warn_on_full_buffer=False)
            self._outer, _entered = _entered, self
            self._previous = _handle_with(self._receive)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        global _entered
        if self._waking == -1:
            return
        for number, handler in self._previous.items():
            signal.signal(number, handler)
        _entered = self._outer
        signal.set_wakeup_fd(self._outer_wakeup)
        os.close(self._woken)
        os.close(self._waking)
        self._woken = self._waking = -1

    def look(self) -> None:
        """Raise `StopRequested` if there was a signal, but not within a deferred section."""
        if self._received is not None and not self._depth:
            raise StopRequested(self._received)

    @contextmanager
    def deferred(self) -> Iterator[None]:
        """A section that a stop signal does not break into; it takes effect at its end."""
        with self.shutting_down():
            yield
        self.look()

    @contextmanager
    def shutting_down(self) -> Iterator[None]:
        """A section after which a signal takes effect only where there is work left."""
        self._depth += 1
        try:
            yield
        finally:
            self._depth -= 1

    @contextmanager
    def making_safe(self) -> Iterator[None]:
        """The same, and whoever insists has to wait as well."""
        outer, self._is_insistence_ignored = self._is_insistence_ignored, True
        try:
            with self.shutting_down():
                yield
        finally:
            self._is_insistence_ignored = outer

    @property
    def waking(self) -> list[int]:
        """What becomes readable with a signal that would take effect at once."""
        return [] if self._depth or self._woken == -1 else [self._woken]

    def forget_waking(self) -> None:
        """Use up what became readable."""
        with suppress(BlockingIOError):
            os.read(self._woken, 4096)

    def _receive(self, number: int, frame: FrameType | None) -> None:
        now_s = time.monotonic()
        if self._received is None:
            self._received, self._received_s = number, now_s
        elif now_s - self._received_s >= INSISTING_S and not self._is_insistence_ignored:
            _leave(
                number,
                f"tareline: stopped at once, since {signal.Signals(number).name} came again.\n"
                "The guard switches RF off. Sweeps that were reported done are kept.\n",
            )


_entered: StopSignals | None = None


def look() -> None:
    """Raise `StopRequested` if work that may be stopped is to be."""
    if _entered is not None:
        _entered.look()


def sleep(seconds: float) -> None:
    """Let time pass; a stop signal ends it."""
    wait_ready(wait_s=seconds)


def wait_ready(
    reading: Sequence[int | HasDescriptor] = (),
    writing: Sequence[int | HasDescriptor] = (),
    *,
    wait_s: float | None = None,
) -> bool:
    """Whether one of these can be read or written within `wait_s` (None: no limit); a stop signal
    ends the wait.
    """
    end_s = None if wait_s is None else time.monotonic() + wait_s
    while True:
        look()
        waking = [] if _entered is None else _entered.waking
        left_s = None if end_s is None else max(0.0, end_s - time.monotonic())
        readable, writable, _ = select.select([*reading, *waking], writing, [], left_s)
        if _entered is not None and waking and waking[0] in readable:
            _entered.forget_waking()
            readable.remove(waking[0])
            look()
        if readable or writable:
            return True
        if end_s is not None and time.monotonic() >= end_s:
            return False


def listen() -> None:
    """From now on a stop signal raises `StopRequested`, and ends the process within `GRACE_S` in
    any case, unless it is `heeded`."""

    def receive(number: int, frame: FrameType | None) -> None:
        if signal.getitimer(signal.ITIMER_REAL)[0]:
            return  # it is on its way out
        signal.signal(signal.SIGALRM, lambda *_: _leave(number))
        signal.setitimer(signal.ITIMER_REAL, GRACE_S)
        raise StopRequested(number)

    _handle_with(receive)


def heeded() -> None:
    """Whoever caught `StopRequested` has more to do than to leave."""
    signal.setitimer(signal.ITIMER_REAL, 0.0)


def _handle_with(handler: Any) -> dict[int, Any]:
    """Handle stop signals; returns what did so before. What the parent ignores (nohup) stays so."""
    return {
        number: signal.signal(number, handler)
        for number in STOPPING
        if signal.getsignal(number) is not signal.SIG_IGN
    }


def _leave(number: int, text: str = "") -> NoReturn:
    """End the process without any tidying up."""
    said = text or f"tareline: stopped by {signal.Signals(number).name}\n"
    with suppress(OSError):
        os.write(STANDARD_ERROR, SHOW_CURSOR * os.isatty(STANDARD_ERROR) + said.encode())
    os._exit(128 + number)
