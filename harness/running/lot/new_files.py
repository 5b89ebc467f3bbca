"""New run files for the items of a lot, in the lot's folder."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from functools import partial
from itertools import count

from drivers.sweep import SweepSettings
from harness.analysis.loss.pooling import PooledRepeatability
from harness.bench.clock import as_iso
from harness.bench.operator_lines import name_for_files
from harness.bench.sitting import Wanted
from harness.run_file import RunHeader, RunJournal
from harness.run_file.history import earlier_runs, write_history
from harness.run_file.run import Event
from harness.run_file.software import software_versions
from harness.running.item_run import Assignment, OpenStation
from harness.running.lot.left_off import start_event
from harness.running.lot.serials_known import LotItems
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
        self._grids = {band: settings.frequency_hz() for band, settings in bands.items()}
        self._history: tuple[dict[str, PooledRepeatability], list[str]] | None = None
        self._station = place.workplace.station.as_dict()

    def open(self, wanted: Wanted, started: float) -> RunJournal:
        """The run file of an item that was begun at a time (Unix s).

        It asks no instrument, as it is called while the first sweep is on its way to the disk.

        Raises:
            RunFileError: the disk refused.
        """
        procedure = self._assignment.procedure.name
        stamp = datetime.fromtimestamp(started, tz=UTC).strftime("%Y%m%dT%H%M%SZ")
        run_id = self._free_id(f"{stamp}-{procedure}-{name_for_files(wanted.serial)}")
        kind = self._items.kind_of(wanted.serial)
        header = RunHeader(
            run_id=run_id,
            procedure=procedure,
            parameters={**self._assignment.parameters, **wanted.parameters},
            started=as_iso(started),
            software=software_versions(),
            station=self._station,
            item=item_as_dict(wanted.serial, self._items(wanted.serial), kind),
            instruments=self._connected.instruments,
            simulated=self._connected.is_simulated,
            simulated_bench=self._connected.simulated_bench,
        )
        history, remarks = self._pooled()
        journal = RunJournal(
            self._assignment.results / f"{run_id}.h5",
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
            journal.event(start_event(started, self._connected.bench_start))
        return journal

    def _free_id(self, run_id: str) -> str:
        """Another where an item is begun again within a second."""
        taken = (self._assignment.results / f"{run_id}.h5").exists()
        numbered = (f"{run_id}-{number}" for number in count(2))
        if not taken:
            return run_id
        return next(
            other for other in numbered if not (self._assignment.results / f"{other}.h5").exists()
        )

    def _pooled(self) -> tuple[dict[str, PooledRepeatability], list[str]]:
        """The history, read once for all items of a sitting, and what is to be said of it."""
        if self._history is None:
            told: list[str] = []
            workplace = self._workplace
            pooled = earlier_runs(workplace.station, workplace.folder, self._grids, told.append)
            self._history = (pooled, told)
        return self._history
