"""Sweeps go to disk in a thread of their own, while the instrument makes the next ones."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import AbstractContextManager
from functools import partial
from types import TracebackType
from typing import Protocol

from drivers.stop_signals import look
from drivers.sweep import Sweep
from harness.run_file import Kind
from harness.run_file.run import Event

MOST_WAITING = 256
"""Sweeps and events that wait for the disk; when there are so many, whoever brings more waits."""
LOOKING_S = 0.1
"""From one look for a stop signal to the next, while the disk is waited for."""


class Journal(Protocol):
    """Where sweeps and events are kept."""

    def append(
        self, band: str, kind: Kind, index: int, sweep: Sweep, *, is_suspect: bool = False
    ) -> None:
        """Keep a sweep, marked if it cannot be true; when this returns it stays."""

    def mark_suspect(self, band: str, kind: Kind, first: int) -> None:
        """Mark all sweeps from row `first` on as ones that cannot be true."""

    def event(self, event: Event) -> None:
        """Keep an event."""

    def temperature(self, time: float, temperature_c: float) -> None:
        """Keep a temperature in °C, read at `time` (Unix s)."""


class Storing:
    """A journal that takes everything at once and puts it on disk, in order, a little later.

    That is so within `with`, which may be entered again while it is; before and after it,
    everything is on disk when a call returns. `kept` is called, by whoever stores or drains next,
    once a sweep that can be true stays. A disk that refuses raises there too, and takes nothing
    of what came after.
    """

    def __init__(
        self,
        journal: Journal,
        unbroken: Callable[[], AbstractContextManager[None]],
        kept: Callable[[], None],
        *,
        rows: Mapping[tuple[str, Kind], int] | None = None,
        most_waiting: int = MOST_WAITING,
    ) -> None:
        """`unbroken` makes a section that a stop signal does not break into; `rows` are those
        that the journal holds already.
        """
        self._journal = journal
        self._unbroken = unbroken
        self._kept = kept
        self._most_waiting = most_waiting
        self._entered = 0
        self._writer: ThreadPoolExecutor | None = None
        self._under_way: deque[tuple[Future[None], bool]] = deque()
        self._refusal: BaseException | None = None
        self._rows: Counter[tuple[str, Kind]] = Counter(rows or {})

    def __enter__(self) -> Storing:
        self._entered += 1
        if self._writer is None:
            self._writer = ThreadPoolExecutor(1, thread_name_prefix="storing")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._entered = max(self._entered - 1, 0)
        if not self._entered:
            self.close()

    def close(self) -> None:
        """End the thread once everything is on disk; harmless a second time.

        Raises:
            RunFileError: the disk refused.
        """
        with self._unbroken():
            self._entered = 0
            writer, self._writer = self._writer, None
            try:
                self.drain()
            finally:
                if writer is not None:
                    writer.shutdown()

    @property
    def is_deferred(self) -> bool:
        """Whether somebody further out has asked for sweeps to be stored a little later."""
        return self._entered > 1

    def rows(self, band: str, kind: Kind) -> int:
        """How many sweeps went into one part of the journal, on their way or there."""
        return self._rows[band, kind]

    def append(
        self, band: str, kind: Kind, index: int, sweep: Sweep, *, is_suspect: bool = False
    ) -> None:
        """Take a sweep, once there is room for it."""
        task = partial(self._journal.append, band, kind, index, sweep, is_suspect=is_suspect)
        self._put(task, is_good_sweep=not is_suspect)
        self._rows[band, kind] += 1

    def mark_suspect(self, band: str, kind: Kind, first: int) -> None:
        """Mark all sweeps from row `first` on."""
        self._put(partial(self._journal.mark_suspect, band, kind, first))

    def event(self, event: Event) -> None:
        """Keep an event, after the sweeps before it."""
        self._put(partial(self._journal.event, event))

    def temperature(self, time: float, temperature_c: float) -> None:
        """Keep a temperature in °C, read at `time` (Unix s)."""
        self._put(partial(self._journal.temperature, time, temperature_c))

    def drain(self) -> None:
        """Return when nothing is on its way any more.

        Raises:
            RunFileError: the disk refused something that was.
        """
        while self._under_way:
            self._wait_for_first()
        self._tell_done()

    def _put(self, task: Callable[[], None], *, is_good_sweep: bool = False) -> None:
        self._tell_done()
        while len(self._under_way) >= self._most_waiting:
            self._wait_for_first()
        with self._unbroken():
            if self._writer is None:
                task()
                if is_good_sweep:
                    self._kept()
            else:
                self._under_way.append((self._writer.submit(self._carry_out, task), is_good_sweep))

    def _wait_for_first(self) -> None:
        # a stop signal ends this wait: a disk that hangs must not keep RF on
        while not wait([self._under_way[0][0]], LOOKING_S).done:
            look()
        self._tell_done()

    def _tell_done(self) -> None:
        """Report, in order, what has come to the disk."""
        with self._unbroken():
            while self._under_way and self._under_way[0][0].done():
                task, is_good_sweep = self._under_way.popleft()
                try:
                    task.result()
                except BaseException:
                    # nothing that came after it was taken either; told once
                    self._under_way.clear()
                    raise
                if is_good_sweep:
                    self._kept()

    def _carry_out(self, task: Callable[[], None]) -> None:
        """In the thread; after a refusal nothing may take the place of what was refused."""
        if self._refusal is not None:
            raise self._refusal
        try:
            task()
        except BaseException as error:
            self._refusal = error
            raise
