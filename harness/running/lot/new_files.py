"""New run files for the items of a lot, in the lot's folder."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from drivers.sweep import SweepSettings
from harness.analysis.loss.pooling import PooledRepeatability
from harness.bench.operator_lines import name_for_files
from harness.bench.sitting import Wanted
from harness.bench.takeover import MARK
from harness.run_file import RunJournal
from harness.run_file.history import earlier_runs, write_history
from harness.run_file.run import Event
from harness.running.item_run import Assignment
from harness.running.lot.serials_known import LotItems
from harness.running.new_run import free_id, header_of, run_id
from harness.running.open_station import OpenStation
from harness.station.items import item_as_dict


class LotFiles:
    """Makes a run file for each item."""

    def __init__(
        self,
        place: OpenStation,
        assignment: Assignment,
        items: LotItems,
        bands: Mapping[str, SweepSettings],
    ) -> None:
        self._workplace, self._connected = place.workplace, place.connected
        self._assignment, self._items = assignment, items
        self.folder = assignment.results
        self._grids = {band: settings.frequency_hz() for band, settings in bands.items()}
        self._history: tuple[dict[str, PooledRepeatability], list[str]] | None = None
        self._origin = place.origin()

    def open(self, wanted: Wanted, started: float) -> RunJournal:
        """The run file of an item that was begun at a time (Unix s).

        It asks no instrument, as it is called while the first sweep is on its way to the disk.

        Raises:
            RunFileError: the disk refused.
        """
        procedure = self._assignment.procedure.name
        item = item_as_dict(
            wanted.serial, self._items(wanted.serial), self._items.kind_of(wanted.serial)
        )
        header = header_of(
            free_id(self.folder, run_id(started, procedure, name_for_files(wanted.serial))),
            started,
            self._origin,
            item,
            (procedure, {**self._assignment.parameters, **wanted.parameters}),
        )
        history, remarks = self._pooled()
        journal = RunJournal(
            self.folder / f"{header.run_id}.h5",
            header,
            self._grids,
            self._connected.source.traces,
            partial(write_history, history=history),
        )
        self._assignment.begun(journal.path)
        self._connected.locks.tell_run(journal.path)
        for text in remarks:
            journal.event(Event(started, "note", text))
        if self._connected.bench_start is not None:
            journal.event(Event(started, MARK, self._connected.bench_start.mark()))
        return journal

    def _pooled(self) -> tuple[dict[str, PooledRepeatability], list[str]]:
        """The history, read once for all items of a sitting, and what is to be said of it."""
        if self._history is None:
            told: list[str] = []
            workplace = self._workplace
            pooled = earlier_runs(workplace.station, workplace.folder, self._grids, told.append)
            self._history = (pooled, told)
        return self._history
