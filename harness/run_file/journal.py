"""A run file being written: an HDF5 journal of raw readings, to which the analysis is added later.

Each sweep is a chunk of its own that is never written again, flushed and synchronized before
it is reported done.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import h5py
import numpy as np
from numpy.typing import NDArray

from drivers.errors import LostFileError, RunFileError
from drivers.sweep import Sweep
from harness.run_file.column import Column
from harness.run_file.digests import (
    HEADER,
    NO_DIGEST,
    header_digest,
    sweep_digest,
    temperature_digests,
)
from harness.run_file.drafts import draft_of
from harness.run_file.opening import damage_told
from harness.run_file.places import EVENT
from harness.run_file.publishing import disk, make_folder, publish, require_room, synchronize
from harness.run_file.resumption import Kept, read_kept
from harness.run_file.run import Event
from harness.run_file.schema import (
    INDEX,
    Group,
    Kind,
    RunHeader,
    create_places,
    write_header,
)
from harness.run_file.writer_lock import lock


class RunJournal:
    """A run file being written. Every method raises `RunFileError` when the disk refuses."""

    def __init__(
        self,
        path: Path,
        header: RunHeader,
        frequency_hz: Mapping[str, NDArray[np.float64]],
        traces: Sequence[str],
        prepare: Callable[[Group], None] = lambda root: None,
    ) -> None:
        """Create the file; it must not exist yet. It appears once it can be read.

        `prepare` may put more into it beforehand, such as the history.
        """

        def fill(file: Group) -> None:
            write_header(file, header)
            create_places(file, frequency_hz, traces)
            prepare(file)

        with disk(path):
            make_folder(path.parent)
        self._begin(path, draft_of(path, "new"), fill, publish)

    @classmethod
    def in_place_of(cls, path: Path, draft: Path, fill: Callable[[Group], None],
                    put: Callable[[Path, Path], None], size_bytes: int) -> RunJournal:  # fmt: skip
        """A journal begun with what `fill` writes, about `size_bytes`; `put` gives the draft its
        name.

        Raises:
            RunFileError: the disk refused.
        """
        journal = cls.__new__(cls)
        journal._begin(path, draft, fill, put, size_bytes)
        return journal

    def _begin(
        self,
        path: Path,
        draft: Path,
        fill: Callable[[Group], None],
        put: Callable[[Path, Path], None],
        size_bytes: int = 0,
    ) -> None:
        self.path = path
        self._growing: dict[str, dict[str, Column]] = {}
        self._events: Column | None = None
        self._ends: dict[str, tuple[int, bytes]] = {}
        with disk(path):
            require_room(os.statvfs(path.parent), size_bytes)
            try:
                self._file = h5py.File(draft, "x", libver="latest")
                fill(self._file)
                self._file.attrs[HEADER] = header_digest(self._file)
                self._file.swmr_mode = True
                synchronize(self._file)
                self._handle = self._file.id.get_vfd_handle()
                lock(self._handle)
                put(draft, path)
            finally:
                draft.unlink(missing_ok=True)

    def require_in_place(self) -> None:
        """See that what is written is still what stands under the file's name.

        Raises:
            LostFileError: it was removed.
            RunFileError: it, or a folder above it, was renamed.
        """
        with disk(self.path):
            written = os.fstat(self._handle)
            with suppress(FileNotFoundError, NotADirectoryError):
                if os.path.samestat(written, self.path.stat()):
                    return
        if not written.st_nlink:
            raise LostFileError(
                "the run file was removed while the run went on, so its sweeps are lost",
                where=str(self.path),
                hint="see who clears up there, and measure again",
            )
        raise RunFileError(
            "the run file is no longer where it was: it, or a folder above it, was renamed; "
            "nothing more is swept into it",
            where=str(self.path),
            hint="give it its name back; the finished sweeps are in it",
        )

    def append(
        self, band: str, kind: Kind, index: int, sweep: Sweep, *, is_suspect: bool = False
    ) -> None:
        """Put one sweep on disk; when this returns it stays."""
        with disk(self.path):
            require_room(os.fstatvfs(self._handle), sweep.readings.nbytes)
            place = f"bands/{band}/{kind}"
            rows = self._rows(place)
            row, before = self._reached(place)
            digest = sweep_digest(band, kind, before, index, sweep.time, sweep.readings)
            rows["readings"].write(row, sweep.readings)
            rows[INDEX[kind]].write(row, index)
            rows["sha256"].write(row, np.frombuffer(digest, np.uint8))
            rows["time"].write(row, sweep.time)
            if is_suspect:
                rows["suspect"].write(row, 1)
            # one flush is enough: a row of which only a part came to the disk shows by its digest
            synchronize(self._file)
            self._ends[place] = row + 1, digest

    def mark_suspect(self, band: str, kind: Kind, first: int) -> None:
        """Mark the sweeps from row `first` on as ones that cannot be true; they stay."""
        with disk(self.path):
            require_room(os.fstatvfs(self._handle), 0)
            rows = self._rows(f"bands/{band}/{kind}")
            for row in range(first, len(rows["time"])):
                rows["suspect"].write(row, 1)
            synchronize(self._file)

    def _reached(self, place: str) -> tuple[int, bytes]:
        """How many rows of one kind stay, and the digest of the last of them."""
        if place not in self._ends:
            stored = self._file[place]["sha256"]
            self._ends[place] = len(stored), stored[-1].tobytes() if len(stored) else NO_DIGEST
        return self._ends[place]

    def event(self, event: Event) -> None:
        """Record something worth remembering; when this returns it stays."""
        with disk(self.path):
            require_room(os.fstatvfs(self._handle), 0)
            if self._events is None:
                self._events = Column(self._file["events"])
            row = np.array((event.time, _clipped(event.kind, 16), _clipped(event.text, 480)), EVENT)
            self._events.write(len(self._events), row)
            synchronize(self._file)

    def temperature(self, time: float, temperature_c: float) -> None:
        """Keep a temperature in °C, read at `time` (Unix s); when this returns it stays."""
        with disk(self.path):
            require_room(os.fstatvfs(self._handle), 0)
            rows = self._rows("temperature")
            row, before = self._reached("temperature")
            digest = temperature_digests(np.array([time]), np.array([temperature_c]), before)
            rows["temperature_c"].write(row, temperature_c)
            rows["sha256"].write(row, digest[0])
            rows["time"].write(row, time)
            synchronize(self._file)
            self._ends["temperature"] = row + 1, digest.tobytes()

    def kept(self) -> Kept:
        """What the run holds already.

        Raises:
            InputError: the file was damaged meanwhile.
        """
        with self.open_for_reading() as file:
            return read_kept(file)

    @contextmanager
    def open_for_reading(self) -> Iterator[h5py.File]:
        """The file as far as it is written, for the process that writes it: HDF5 does not open a
        file a second time. Sweeps may be appended from another thread meanwhile.

        Raises:
            InputError: it cannot be read.
        """
        with damage_told(self.path):
            yield self._file

    def close(self) -> None:
        """End writing; harmless a second time."""
        with disk(self.path):
            self._growing.clear()
            self._events = None
            self._file.close()

    def _rows(self, place: str) -> dict[str, Column]:
        """The datasets that grow by a row at a time; looking them up each time takes longest."""
        if place not in self._growing:
            group = self._file[place]
            self._growing[place] = {name: Column(dataset) for name, dataset in group.items()}
        return self._growing[place]


def _clipped(text: str, size: int) -> bytes:
    """UTF-8 of at most `size` bytes, cut between characters."""
    return text.encode()[:size].decode(errors="ignore").encode()
