"""The run file of one item at the production bench: it appears with the item's first sweep."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from drivers.sweep import Sweep
from harness.bench.sitting import Wanted
from harness.evaluation.run_analysis import assess
from harness.run_file import Kind, RunJournal
from harness.run_file.run import OPERATORS_NOTE, BandResult, Event


class ItemJournal:
    """A journal that is opened when the first sweep comes; events wait for that.

    An item that is left before it was swept so leaves no file, unless the operator noted
    something about it.
    """

    def __init__(self, wanted: Wanted, open_journal: Callable[[], RunJournal]) -> None:
        """`open_journal` is called once, by whichever thread stores the first sweep."""
        self.wanted = wanted
        self._open = open_journal
        self._journal: RunJournal | None = None
        self._waiting: list[Event] = []
        self._assessed: dict[str, BandResult] | None = None
        self.had_trouble = False
        """Whether an instrument had to start afresh, or a sweep could not be true."""

    @property
    def path(self) -> Path | None:
        """Of the file; None while there is none."""
        return None if self._journal is None else self._journal.path

    @property
    def journal(self) -> RunJournal:
        """The open run file, which is made now if need be."""
        if self._journal is None:
            self._journal = self._open()
            for event in self._waiting:
                self._journal.event(event)
            self._waiting.clear()
        return self._journal

    def assessed(self) -> dict[str, BandResult]:
        """The evaluation of every band by what was swept so far, made once for the same sweeps.

        Raises:
            InputError: that does not suffice.
        """
        if self._assessed is None:
            self._assessed = assess(self.journal)
        return self._assessed

    def append(
        self, band: str, kind: Kind, index: int, sweep: Sweep, *, is_suspect: bool = False
    ) -> None:
        """Put one sweep on disk; when this returns it stays."""
        self._assessed = None
        self.had_trouble = self.had_trouble or is_suspect
        self.journal.append(band, kind, index, sweep, is_suspect=is_suspect)

    def mark_suspect(self, band: str, kind: Kind, first: int) -> None:
        """Mark sweeps as ones that cannot be true."""
        self._assessed = None
        self.had_trouble = True
        self.journal.mark_suspect(band, kind, first)

    def event(self, event: Event) -> None:
        """Keep an event, at once or with the first sweep."""
        self.had_trouble = self.had_trouble or event.kind == "recovery"
        if self._journal is not None:
            self._journal.event(event)
        else:
            self._waiting.append(event)

    def temperature(self, time: float, temperature_c: float) -> None:
        """Keep a temperature in °C."""
        self.journal.temperature(time, temperature_c)

    def close(self, last: Event) -> None:
        """End writing with a last event; what the operator noted is kept in any case."""
        noted = any(event.kind == OPERATORS_NOTE for event in self._waiting)
        if self._journal is None and not noted:
            return
        self.journal.event(last)
        self.journal.close()
