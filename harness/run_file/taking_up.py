"""An unfinished run taken up again, whatever stopped its writer.

A file whose writer was killed opens for reading only, so what is whole goes into a fresh one,
which takes the old one's place.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from drivers.errors import InputError
from harness.run_file.digests import ROWS_AT_ONCE, Chain, require_intact, temperature_digests
from harness.run_file.drafts import draft_of
from harness.run_file.journal import RunJournal
from harness.run_file.opening import damage_told, open_run
from harness.run_file.publishing import disk, replace
from harness.run_file.reading import read_temperature, read_traces, whole_rows
from harness.run_file.schema import INDEX, Group, Kind, create_places, read_header
from harness.run_file.writer_lock import only_writer


def take_up(path: Path) -> RunJournal:
    """Open an unfinished run for going on; at every moment the old or the new file is there.

    All sweeps that were finished stay, suspect ones with their marks, and so do header, events,
    temperatures, history and digests. A row that was not finished is dropped. Sweeps of a file
    of an earlier version get digests.

    Raises:
        InputError: it is finished already, still being written, damaged, or not a run file of
            this version.
        RunFileError: the disk refused; the file stands as it was.
    """
    with open_run(path) as old:
        require_intact(old)
        if read_header(old).finished or "analysis" in old:
            raise InputError(
                f"{str(path)!r} is finished; there is nothing to go on with",
                hint="measure the item again, or see `tareline report`",
            )
        draft = draft_of(path, "taking-up")
        with disk(path), only_writer(path):
            return RunJournal.in_place_of(
                path, draft, lambda new: copy_whole(path, old, new), replace, path.stat().st_size
            )


def copy_whole(path: Path, old: Group, new: Group) -> None:
    """Everything whole of an open run file into a new one.

    Raises:
        InputError: the old one is damaged. What the disk refuses of the new one is an OSError.
    """
    with damage_told(path):
        attributes = dict(old.attrs)
        grids = {band: group["frequency_hz"][()] for band, group in old["bands"].items()}
        traces = read_traces(old)
        events = old["events"][()]
        time, temperature_c = read_temperature(old)
    for name, value in attributes.items():
        new.attrs[name] = value
    create_places(new, grids, traces)
    if "history" in old:
        old.copy("history", new)
    _put(new["events"], events[events["kind"] != b""])
    _put(new["temperature/sha256"], temperature_digests(time, temperature_c))
    _put(new["temperature/time"], time)
    _put(new["temperature/temperature_c"], temperature_c)
    for band in grids:
        for kind in INDEX:
            _copy_sweeps(path, old, new, band, kind)


def _copy_sweeps(path: Path, old_file: Group, new_file: Group, band: str, kind: Kind) -> None:
    old, new = old_file[f"bands/{band}/{kind}"], new_file[f"bands/{band}/{kind}"]
    chain = Chain(band, kind)
    with damage_told(path):
        done = whole_rows(old)
        marks = old["suspect"][:done] if "suspect" in old else np.empty(0, dtype=np.int8)
    for first in range(0, done, ROWS_AT_ONCE):
        rows = slice(first, min(first + ROWS_AT_ONCE, done))
        with damage_told(path):
            index, time, readings = (old[name][rows] for name in (INDEX[kind], "time", "readings"))
            stored = old["sha256"][rows] if "sha256" in old else None
            digests = chain.extend(index, time, readings, stored)
        for name, values in (
            (INDEX[kind], index), ("time", time), ("readings", readings), ("sha256", digests),
        ):  # fmt: skip
            new[name].resize(rows.stop, axis=0)
            new[name][rows] = values
    for row in np.flatnonzero(marks):
        new["suspect"].resize(row + 1, axis=0)
        new["suspect"][row] = marks[row]


def _put(dataset: Group, values: np.ndarray) -> None:
    dataset.resize(values.shape)
    dataset[()] = values
