"""Sweeps on their way into the run file, each put there while the next is being made."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import AbstractContextManager
from types import TracebackType
from typing import Protocol

from drivers.sweep import Sweep
from harness.results import Event
from harness.run_file import Kind


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


class Storing:
    """A journal that takes a sweep at once and puts it on disk while the instrument sweeps.

    That is so within `with`; before and after it, everything is on disk when a call returns. One
    sweep at most is on its way. `kept` is called, by whoever stores or drains next, once a sweep
    that can be true stays. A disk that refuses raises there too.
    """

    def __init__(
        self,
        journal: Journal,
        unbroken: Callable[[], AbstractContextManager[None]],
        kept: Callable[[], None],
    ) -> None:
        """`unbroken` makes a section that a stop signal does not break into."""
        self._journal = journal
        self._unbroken = unbroken
        self._kept = kept
        self._writer: ThreadPoolExecutor | None = None
        self._under_way: tuple[Future[None], bool] | None = None
        self._rows: Counter[tuple[str, Kind]] = Counter()

    def __enter__(self) -> Storing:
        self._writer = ThreadPoolExecutor(1, thread_name_prefix="storing")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._unbroken():
            writer, self._writer = self._writer, None
            try:
                self.drain()
            finally:
                if writer is not None:
                    writer.shutdown()

    def rows(self, band: str, kind: Kind) -> int:
        """How many sweeps went into one part of the journal, on their way or there."""
        return self._rows[band, kind]

    def append(
        self, band: str, kind: Kind, index: int, sweep: Sweep, *, is_suspect: bool = False
    ) -> None:
        """Take a sweep, once the one before it stays."""
        self.drain()
        with self._unbroken():
            if self._writer is None:
                self._journal.append(band, kind, index, sweep, is_suspect=is_suspect)
                if not is_suspect:
                    self._kept()
            else:
                task = self._writer.submit(
                    self._journal.append, band, kind, index, sweep, is_suspect=is_suspect
                )
                self._under_way = task, not is_suspect
            self._rows[band, kind] += 1

    def drain(self) -> None:
        """Return when nothing is on its way any more.

        Raises:
            RunFileError: the disk refused the sweep that was.
        """
        if self._under_way is not None:
            # a stop signal ends this wait: a disk that hangs must not keep RF on
            wait([self._under_way[0]])
        with self._unbroken():
            under_way, self._under_way = self._under_way, None
            if under_way is not None:
                task, is_good = under_way
                task.result()
                if is_good:
                    self._kept()

    def mark_suspect(self, band: str, kind: Kind, first: int) -> None:
        """Mark all sweeps from row `first` on, once they stay."""
        self.drain()
        with self._unbroken():
            self._journal.mark_suspect(band, kind, first)

    def event(self, event: Event) -> None:
        """Keep an event, after the sweeps before it."""
        self.drain()
        with self._unbroken():
            self._journal.event(event)
