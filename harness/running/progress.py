"""How far the work is: a bar at a terminal, plain lines anywhere else. On standard error."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from types import TracebackType
from typing import TYPE_CHECKING

from harness.bench.operator_lines import OperatorLine
from harness.connections.operator_terminal import OperatorTerminal

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

    def set_aside(self) -> AbstractContextManager[None]:
        """A section in which somebody is asked; lines need no room to be made."""
        return nullcontext()


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

    @contextmanager
    def set_aside(self) -> Iterator[None]:
        """A section in which somebody is asked, without the bar."""
        self._bar.stop()
        try:
            yield
        finally:
            self._bar.start()


class BesideProgress:
    """The operator's terminal while progress is shown, which makes room."""

    def __init__(
        self, terminal: OperatorTerminal, display: PlainProgress | TerminalProgress
    ) -> None:
        self._terminal, self._display = terminal, display

    def say(self, text: str) -> None:
        """Show a text."""
        self.say_all([text])

    def say_all(self, lines: Iterable[str]) -> None:
        """Show several."""
        with self._display.set_aside():
            self._terminal.say_all(lines)

    def ask(self, prompt: str) -> OperatorLine:
        """Show a prompt and wait for a line; raises EOFError at the end of the input."""
        with self._display.set_aside():
            return self._terminal.ask(prompt)


def progress_on_stderr(title: str, total: int, kept: int = 0) -> PlainProgress | TerminalProgress:
    """The fitting display for where standard error goes."""
    display = TerminalProgress if sys.stderr.isatty() else PlainProgress
    return display(title, total, kept)
