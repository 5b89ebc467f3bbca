"""The run file: an HDF5 journal of raw readings, to which the analysis is added at the end.

The only module that imports h5py.

Schema `tareline-run/1`
    attributes   schema run_id procedure parameters started finished software station item
                 instruments simulated simulated_bench (parameters, station, item, instruments:
                 JSON text)
    /events      (E,) of time (Unix s), kind, text
    /bands/<band>/frequency_hz                      (P,)
    /bands/<band>/normalization/readings time making suspect    (K, S, P) (K,) (K,) (K,)
    /bands/<band>/insertions/readings time insertion suspect    (N, S, P) (N,) (N,) (N,)
    /history/<band>/...     where there are earlier runs; see `harness.history`
    /analysis/<band>/...    once finished; see `harness.result_record`
Units stand in the attribute `unit` of each dataset, the names of the S traces in the attribute
`traces` of the readings. `time` is written last: a row without it was not finished. `suspect` is
1 in rows that are kept but not evaluated, because their readings cannot be true; an event says
why. Files without it have none.

Each sweep is a chunk of its own that is never written again, flushed and synchronized before
it is reported done. Finishing works on a copy that then takes the file's place.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypeAlias

import h5py
import numpy as np
from numpy.typing import NDArray

from drivers.errors import InputError, RunFileError
from drivers.sweep import Sweep
from harness.analysis.band import BandReadings
from harness.results import Event

SCHEMA = "tareline-run/1"
SMALL_CHUNK = 256
_EVENT = np.dtype([("time", "<f8"), ("kind", "S16"), ("text", "S480")])

_TEXT_ATTRIBUTES = (
    "run_id", "procedure", "started", "finished", "software", "simulated", "simulated_bench",
)  # fmt: skip

Group: TypeAlias = h5py.Group

Kind = Literal["normalization", "insertions"]
_INDEX: dict[Kind, str] = {"normalization": "making", "insertions": "insertion"}


@dataclass(frozen=True)
class RunHeader:
    """What a run file says before its readings."""

    run_id: str
    procedure: str
    parameters: dict[str, Any]
    started: str
    software: str
    station: dict[str, Any]
    item: dict[str, Any]
    instruments: tuple[dict[str, str], ...]
    simulated: bool
    simulated_bench: str = ""
    """Description (TOML) of the simulated bench, with its seed, where Tareline started it."""
    finished: str = ""


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
        self.path = path
        self._growing: dict[tuple[str, Kind], dict[str, h5py.h5d.DatasetID]] = {}
        draft = path.with_name(f".{path.name}.new")
        with _disk(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            try:
                self._file = h5py.File(draft, "w", libver="latest")
                _write_header(self._file, header)
                self._file.create_dataset(
                    "events", (0,), _EVENT, maxshape=(None,), chunks=(SMALL_CHUNK,)
                )
                for band, grid in frequency_hz.items():
                    _create_band(self._file.create_group(f"bands/{band}"), grid, traces)
                prepare(self._file)
                self._file.swmr_mode = True
                self._synchronize()
                _publish(draft, path)
            finally:
                draft.unlink(missing_ok=True)

    def append(
        self, band: str, kind: Kind, index: int, sweep: Sweep, *, is_suspect: bool = False
    ) -> None:
        """Put one sweep on disk; when this returns it stays."""
        with _disk(self.path):
            rows = self._rows(band, kind)
            row = rows["time"].shape[0]
            # what nobody writes is 0
            rows["suspect"].set_extent((row + 1,))
            if is_suspect:
                _write_row(rows["suspect"], row, np.int8(1))
            _write_row(rows["readings"], row, sweep.readings)
            _write_row(rows[_INDEX[kind]], row, np.int64(index))
            self._file.flush()
            _write_row(rows["time"], row, np.float64(sweep.time))
            self._synchronize()

    def mark_suspect(self, band: str, kind: Kind, first: int) -> None:
        """Mark the sweeps from row `first` on as ones that cannot be true; they stay."""
        with _disk(self.path):
            rows = self._rows(band, kind)
            for row in range(first, rows["time"].shape[0]):
                _write_row(rows["suspect"], row, np.int8(1))
            self._synchronize()

    def _rows(self, band: str, kind: Kind) -> dict[str, h5py.h5d.DatasetID]:
        """The datasets that grow by a row a sweep; looking them up each time takes longest."""
        if (band, kind) not in self._growing:
            group = self._file[f"bands/{band}/{kind}"]
            self._growing[band, kind] = {name: dataset.id for name, dataset in group.items()}
        return self._growing[band, kind]

    def event(self, event: Event) -> None:
        """Record something worth remembering."""
        with _disk(self.path):
            events = self._file["events"]
            events.resize(events.shape[0] + 1, axis=0)
            events[-1] = (event.time, _clipped(event.kind, 16), _clipped(event.text, 480))
            events.flush()

    def close(self) -> None:
        """End writing; harmless a second time."""
        with _disk(self.path):
            self._growing.clear()
            self._file.close()

    def _synchronize(self) -> None:
        self._file.flush()
        os.fsync(self._file.id.get_vfd_handle())


def _write_row(dataset: h5py.h5d.DatasetID, row: int, value: NDArray[Any] | np.generic) -> None:
    """Write what may be the first row beyond the end; a tenth of the time of `dataset[row] =`."""
    shape = dataset.shape
    if row >= shape[0]:
        dataset.set_extent((row + 1, *shape[1:]))
    values = np.ascontiguousarray(value, dataset.dtype).reshape(1, *shape[1:])
    space = dataset.get_space()
    space.select_hyperslab((row, *(0 for _ in shape[1:])), values.shape)
    dataset.write(h5py.h5s.create_simple(values.shape), space, values)


def finish_run(path: Path, finished: str, write_analysis: Callable[[Group], None]) -> None:
    """Add the analysis to a closed run file; at every moment the old or the new one is there.

    Raises:
        RunFileError: the disk refused; the file stands as it was.
    """
    draft = path.with_name(f".{path.name}.finishing")
    with _disk(path):
        try:
            shutil.copyfile(path, draft)
            with h5py.File(draft, "r+", libver="latest") as file:
                write_analysis(file.create_group("analysis"))
                file.attrs["finished"] = finished
                file.flush()
                os.fsync(file.id.get_vfd_handle())
            os.replace(draft, path)
        finally:
            draft.unlink(missing_ok=True)


@contextmanager
def open_run(path: Path) -> Iterator[h5py.File]:
    """Open a run file for reading, finished or not, also while it is being written.

    Raises:
        InputError: it is not there, not a run file, of another schema, or damaged.
    """
    if not path.is_file():
        raise InputError(f"there is no run file {str(path)!r}", hint="name a .h5 file in results/")
    try:
        file = _opened(path)
    except OSError as error:
        raise InputError(
            f"{str(path)!r} is not a run file, or only a part of one: it is not readable as HDF5",
            hint=f"run files are the .h5 files that `tareline run` writes ({error})",
        ) from error
    with file:
        schema = file.attrs.get("schema")
        if schema != SCHEMA:
            raise InputError(
                f"{str(path)!r} is not a run file of this version: its schema is {schema!r}, "
                f"this Tareline reads {SCHEMA!r}"
            )
        try:
            yield file
        except (AttributeError, KeyError, OSError, RuntimeError, TypeError, ValueError) as error:
            raise InputError(
                f"{str(path)!r} is damaged: {error}", hint="take the copy in your backup"
            ) from error


def _opened(path: Path) -> h5py.File:
    """A file whose writer is at work, or was killed, opens only as one of a single writer and
    several readers. There HDF5 waits for what is missing, so what was cut off is refused first.

    HDF5 file format 3.0, II.A superblock version 3: consistency flags at byte 11, end of file
    address at byte 28.
    """
    with path.open("rb") as raw:
        superblock = raw.read(36)
    written_to = len(superblock) == 36 and superblock[8] == 3 and superblock[11] & 0b101
    if not written_to:
        return h5py.File(path, "r")
    if path.stat().st_size < int.from_bytes(superblock[28:36], "little"):
        raise OSError("the end of the file is missing")
    return h5py.File(path, "r", libver="latest", swmr=True)


def read_header(file: h5py.File) -> RunHeader:
    """What an open run file says of itself."""
    attributes = file.attrs
    return RunHeader(
        run_id=attributes["run_id"],
        procedure=attributes["procedure"],
        parameters=json.loads(attributes["parameters"]),
        started=attributes["started"],
        software=attributes["software"],
        station=json.loads(attributes["station"]),
        item=json.loads(attributes["item"]),
        instruments=tuple(json.loads(attributes["instruments"])),
        simulated=bool(attributes["simulated"]),
        simulated_bench=attributes["simulated_bench"],
        finished=attributes["finished"],
    )


def read_events(file: h5py.File) -> tuple[Event, ...]:
    """The events of an open run file, in order."""
    return tuple(
        Event(float(row["time"]), row["kind"].decode(), row["text"].decode(errors="replace"))
        for row in file["events"][()]
    )


def read_readings(file: h5py.File) -> dict[str, BandReadings]:
    """All finished sweeps of an open run file that can be true, by band."""
    return {band: _band_readings(group) for band, group in file["bands"].items()}


def count_suspects(file: h5py.File) -> dict[str, int]:
    """How many sweeps an open run file keeps that cannot be true, by band."""
    return {
        band: sum(int(np.count_nonzero(~_sound(group[kind]))) for kind in _INDEX)
        for band, group in file["bands"].items()
    }


def _band_readings(group: h5py.Group) -> BandReadings:
    through, item = group["normalization"], group["insertions"]
    good, swept = _sound(through), _sound(item)
    return BandReadings(
        frequency_hz=group["frequency_hz"][()],
        traces=tuple(json.loads(through["readings"].attrs["traces"])),
        normalization=through["readings"][: len(good)][good],
        normalization_time=through["time"][: len(good)][good],
        normalization_making=through["making"][: len(good)][good],
        insertions=item["readings"][: len(swept)][swept],
        insertion_time=item["time"][: len(swept)][swept],
        insertion=item["insertion"][: len(swept)][swept],
    )


def _sound(part: h5py.Group) -> NDArray[np.bool_]:
    """Which of the finished sweeps are not marked as suspect; (N,)."""
    done = part["time"].shape[0]
    if "suspect" not in part:
        return np.ones(done, dtype=np.bool_)
    return np.asarray(part["suspect"][:done] == 0)


def _write_header(file: h5py.File, header: RunHeader) -> None:
    file.attrs["schema"] = SCHEMA
    for name in _TEXT_ATTRIBUTES:
        file.attrs[name] = getattr(header, name)
    for name in ("parameters", "station", "item", "instruments"):
        file.attrs[name] = json.dumps(getattr(header, name), ensure_ascii=False)


def _create_band(
    group: h5py.Group, frequency_hz: NDArray[np.float64], traces: Sequence[str]
) -> None:
    group.create_dataset("frequency_hz", data=frequency_hz).attrs["unit"] = "Hz"
    width = (len(traces), len(frequency_hz))
    for kind, index in _INDEX.items():
        part = group.create_group(kind)
        readings = part.create_dataset(
            "readings", (0, *width), "<c16", maxshape=(None, *width), chunks=(1, *width)
        )
        readings.attrs["unit"] = "1"
        readings.attrs["traces"] = json.dumps(list(traces))
        for name, dtype, unit in (
            (index, "<i8", "1"),
            ("suspect", "|i1", "1"),
            ("time", "<f8", "s"),
        ):
            small = part.create_dataset(name, (0,), dtype, maxshape=(None,), chunks=(SMALL_CHUNK,))
            small.attrs["unit"] = unit


def _publish(draft: Path, path: Path) -> None:
    """Let `draft` appear as `path`, refusing to overwrite."""
    try:
        os.link(draft, path)
    except FileExistsError:
        raise
    except OSError:
        # a file system without hard links, such as that of a memory stick
        if path.exists():
            raise FileExistsError(path) from None
        draft.rename(path)


def _clipped(text: str, size: int) -> bytes:
    """UTF-8 of at most `size` bytes, cut between characters."""
    return text.encode()[:size].decode(errors="ignore").encode()


@contextmanager
def _disk(path: Path) -> Iterator[None]:
    try:
        yield
    except FileExistsError as error:
        raise RunFileError(
            f"the run file {str(path)!r} is already there and is never overwritten",
            hint="choose another folder with --results",
        ) from error
    except (OSError, RuntimeError) as error:
        raise RunFileError(
            f"the run file cannot be written: {error}",
            where=str(path),
            hint="is there room on the disk, and may you write there? Finished sweeps are kept",
        ) from error
