"""How far the work is: a bar at a terminal, plain lines anywhere else. On standard error."""

from __future__ import annotations

import sys
import time
from types import TracebackType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import TaskID

PLAIN_INTERVAL_S = 10.0


class PlainProgress:
    """A line for every change of work, and one now and then in between."""

    def __init__(self, title: str, total: int, kept: int = 0) -> None:
        """`kept` sweeps of the total were kept before."""
        self._title, self._total = title, total
        self._done = self._kept = kept
        self._place = ""
        self._started = self._said = time.monotonic()

    def __enter__(self) -> PlainProgress:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...

    def doing(self, what: str) -> None:
        """What is being done from now on."""
        self._place = ""
        self.say(f"{self._title}: {what} ({self._done} of {self._total} sweeps kept)")

    def at(self, place: str) -> None:
        """Where in that the work is; too often for lines of their own."""
        self._place = place

    def sweep_done(self) -> None:
        """One more sweep is safely kept."""
        self._done += 1
        now = time.monotonic()
        if now - self._said >= PLAIN_INTERVAL_S:
            where = f" ({self._place})" if self._place else ""
            each_s = (now - self._started) / (self._done - self._kept)
            left_s = each_s * (self._total - self._done)
            self.say(
                f"{self._title}: {self._done} of {self._total} sweeps kept{where}, "
                f"about {left_s / 60.0:.1f} min left"
            )

    def sweeps_again(self, count: int) -> None:
        """So many sweeps that are kept must be made once more."""
        self._total += count

    def say(self, text: str) -> None:
        """Show a line."""
        self._said = time.monotonic()
        print(text, file=sys.stderr, flush=True)

    def ask(self, prompt: str) -> None:
        """Show a prompt and wait for Enter."""
        print(prompt, end="", file=sys.stderr, flush=True)
        input()


class TerminalProgress:
    """A bar with what is being done, sweeps kept, and time left."""

    def __init__(self, title: str, total: int, kept: int = 0) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
        from rich.progress import TimeRemainingColumn as TimeLeft

        self._console = Console(stderr=True)
        self._title, self._total = title, total
        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=20),
            MofNCompleteColumn(),
            TextColumn("sweeps,"),
            TimeLeft(compact=True),
            TextColumn("left"),
            console=self._console,
            transient=True,
        )
        self._task: TaskID = self._bar.add_task(title, total=total, completed=kept)

    def __enter__(self) -> TerminalProgress:
        self._bar.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._bar.stop()

    def doing(self, what: str) -> None:
        """What is being done from now on."""
        self._bar.update(self._task, description=f"{self._title}: {what}", refresh=True)

    def at(self, place: str) -> None:
        """Where in that the work is."""
        self._bar.update(self._task, description=f"{self._title}: {place}")

    def sweep_done(self) -> None:
        """One more sweep is safely kept."""
        self._bar.advance(self._task)

    def sweeps_again(self, count: int) -> None:
        """So many sweeps that are kept must be made once more."""
        self._total += count
        self._bar.update(self._task, total=self._total)

    def say(self, text: str) -> None:
        """Show a line above the bar."""
        self._bar.console.print(text, markup=False, highlight=False)

    def ask(self, prompt: str) -> None:
        """Take the bar away, show a prompt and wait for Enter."""
        self._bar.stop()
        try:
            self._console.print(prompt, end="", markup=False, highlight=False)
            input()
        finally:
            self._bar.start()


def progress_on_stderr(title: str, total: int, kept: int = 0) -> PlainProgress | TerminalProgress:
    """The fitting display for where standard error goes."""
    display = TerminalProgress if sys.stderr.isatty() else PlainProgress
    return display(title, total, kept)
