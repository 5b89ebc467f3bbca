"""The figures of many run files, read with as few calls of HDF5 as they need.

h5py's own objects cost several times what HDF5 does for so small a read, which counts where a
lot has ten thousand files. What is read here is what `harness.several_runs.lot` works on, and
no more.

/analysis, attribute figures_sha256     over just that, in the order in which it is read

so that it is checked at next to no cost; `harness.run_file.digests` are over everything.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import sys
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from struct import pack
from typing import Any

import h5py
import numpy as np
from h5py import h5a, h5f, h5g, h5s

from drivers.errors import InputError
from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import FIRST_RULES
from harness.run_file.admission import open_dataset, open_group
from harness.run_file.heaps import require_sound_texts
from harness.run_file.opening import damage_told, open_run, require_regular
from harness.run_file.places import DATASETS
from harness.run_file.reading import read_events
from harness.run_file.run import why_again
from harness.run_file.schema import SCHEMA, read_header

FIGURES = "figures_sha256"
_PLACES = {place.rpartition("/")[2].encode(): at for place, at in DATASETS.items()
           if place.startswith("analysis/*/") and place.count("/") == 2}  # fmt: skip
_PLACES[b"frequency_hz"] = DATASETS["bands/*/frequency_hz"]
AGAIN = "wanted_again"
"""Attribute of /analysis: `Run.wanted_again`, so that no lot has to read all events."""


@dataclass(frozen=True)
class BandFigures:
    """A band of a run at its deciding point; NaN where nothing is stated."""

    verdict: str
    """Empty without one."""
    rule: str
    frequency_hz: float
    insertion_loss_db: float
    standard_uncertainty_db: float
    expanded_uncertainty_db: float
    limit_db: float
    margin_db: float
    guard_band_db: float
    conformance_probability: float
    expected_db: float
    expected_expanded_uncertainty_db: float
    zero_change_db: float
    """At the last making of the through, against the first; NaN where there was one only."""
    insertion_means_db: FloatArray
    """(I,)"""
    is_limited: bool
    """Whether there is a limit anywhere in the band."""
    is_doubted: bool
    """Whether it has no verdict because something is doubted."""
    opening_zero: float | None = None
    """Unix time of the first making of the through: items with one and the same share their zero;
    None in runs of the first rules."""


@dataclass(frozen=True)
class RunFigures:
    """What a lot needs of one run."""

    path: Path
    run_id: str
    procedure: str
    started: str
    finished: str
    """Empty while it is not finished; there are no bands then."""
    simulated: bool
    station: str
    """JSON, as it stands in the file: the same object for all runs that state the same."""
    item: dict[str, Any]
    bands: dict[str, BandFigures]
    finding: str
    """JSON, as `harness.evaluation.item_diagnosis` reads it; empty where there is none."""
    wanted_again: str = ""
    """Why the item is to be measured again; empty where it is not."""
    rules: int = FIRST_RULES
    """By which its figures follow from its readings."""
    is_checked: bool = False
    """Whether the figures agree with their digest; files of earlier versions have none."""


def read_figures(path: Path) -> RunFigures:
    """The figures of one run file, finished or not.

    Raises:
        InputError: it is not a readable run file.
    """
    require_regular(path)
    try:
        require_sound_texts(path)
        file = h5f.open(os.fsencode(path), h5f.ACC_RDONLY)
    except OSError:
        # being written, or its writer was killed; or no run file, which that tells
        return _unfinished(path)
    try:
        with damage_told(path):
            seen = _FiguresSeen(path.stat().st_size)
            if seen.text(file, b"schema") != SCHEMA:
                raise InputError(f"{str(path)!r} is not a run file of this version")
            if not seen.text(file, b"finished"):
                return _unfinished(path)
            found = replace(_finished(path, file, seen), wanted_again=_why_again(path, file))
            stated = _FiguresSeen().text(open_group(file, b"analysis"), FIGURES.encode(), "")
            if not stated:
                return found
            if stated != seen.digest():
                raise ValueError("its figures are not what was written (their SHA-256 differs)")
            return replace(found, is_checked=True)
    finally:
        file.close()


def _why_again(path: Path, file: h5f.FileID) -> str:
    """Beside the digest of the figures, which files of earlier versions have without it."""
    try:
        return _FiguresSeen().text(open_group(file, b"analysis"), AGAIN.encode())
    except KeyError:
        with open_run(path) as opened:
            return why_again(read_events(opened))


def figures_digest(file: h5f.FileID) -> str:
    """Over what `read_figures` reads of a finished file; `file` is open and has its analysis."""
    seen = _FiguresSeen()
    seen.text(file, b"schema")
    seen.text(file, b"finished")
    _finished(Path(), file, seen)
    return seen.digest()


class _FiguresSeen:
    """Reads, and keeps a digest of all that was read."""

    def __init__(self, most_bytes: int = sys.maxsize) -> None:
        """Of a file of so many bytes, more than which no dataset may claim."""
        self._sha256 = hashlib.sha256()
        self._most_bytes = most_bytes

    def digest(self) -> str:
        """Of everything so far."""
        return self._sha256.hexdigest()

    def array(self, group: h5g.GroupID, name: bytes) -> FloatArray:
        """A dataset of numbers."""
        dataset = open_dataset(group, name, _PLACES[name], self._most_bytes)
        values = np.empty(dataset.shape, np.float64)
        dataset.read(h5s.ALL, h5s.ALL, values)
        self._sha256.update(b"%b\0%d\0" % (name, values.size))
        self._sha256.update(values.data if values.size else b"")
        return values

    def text(self, place: h5py.h5i.ObjectID, name: bytes, default: str | None = None) -> str:
        """An attribute."""
        try:
            value = _attribute(place, name)
        except KeyError:
            if default is None:
                raise
            return default
        text = value.decode() if isinstance(value, bytes) else str(value)
        encoded = text.encode()
        self._sha256.update(b"%b\0%d\0%b" % (name, len(encoded), encoded))
        return text

    def number(self, place: h5py.h5i.ObjectID, name: bytes, default: float | None = None) -> float:
        """An attribute."""
        try:
            value = float(_attribute(place, name))
        except KeyError:
            if default is None:
                raise
            return default
        self._sha256.update(b"%b\0%b" % (name, pack("<d", value)))
        return value


def _finished(path: Path, file: h5f.FileID, seen: _FiguresSeen) -> RunFigures:
    analysis, bands = open_group(file, b"analysis"), open_group(file, b"bands")
    station = _shared(seen.text(file, b"station"))
    # the order of the station, as everywhere
    names = _bands_of(station)
    if set(names) != {name.decode() for name in analysis}:
        raise ValueError("it is finished, but not every band has a result")
    # beside the digest, which is over what it always was
    rules = int(_FiguresSeen().number(file, b"rules", FIRST_RULES))
    return RunFigures(
        path=path,
        run_id=seen.text(file, b"run_id"),
        procedure=seen.text(file, b"procedure"),
        started=seen.text(file, b"started"),
        finished=_FiguresSeen().text(file, b"finished"),
        simulated=bool(seen.number(file, b"simulated")),
        station=station,
        item=json.loads(seen.text(file, b"item")),
        bands={
            name: _band(
                open_group(analysis, name.encode()), open_group(bands, name.encode()), seen, rules
            )
            for name in names
        },
        finding=seen.text(analysis, b"finding", ""),
        rules=rules,
    )


def _band(group: h5g.GroupID, band: h5g.GroupID, seen: _FiguresSeen, rules: int) -> BandFigures:
    verdict = seen.text(group, b"verdict")
    loss_db, limit_db = seen.array(group, b"insertion_loss_db"), seen.array(group, b"limit_db")
    if verdict:
        at = int(seen.number(group, b"worst_index"))
        if not 0 <= at < len(loss_db):
            raise ValueError(f"its deciding point {at} is not among {len(loss_db)}")
    else:
        at = int(np.argmax(np.where(np.isfinite(loss_db), loss_db, -np.inf)))
    zero_db = seen.array(group, b"zero_change_db")
    return BandFigures(
        verdict=verdict,
        rule=_shared(seen.text(group, b"decision_rule")) if verdict else "",
        frequency_hz=float(seen.array(band, b"frequency_hz")[at]),
        insertion_loss_db=float(loss_db[at]),
        standard_uncertainty_db=float(seen.array(group, b"standard_uncertainty_db")[at]),
        expanded_uncertainty_db=float(seen.array(group, b"expanded_uncertainty_db")[at]),
        limit_db=float(limit_db[at]),
        margin_db=seen.number(group, b"margin_db") if verdict else math.nan,
        guard_band_db=seen.number(group, b"guard_band_db", math.nan) if verdict else math.nan,
        conformance_probability=(
            seen.number(group, b"conformance_probability") if verdict else math.nan
        ),
        expected_db=float(seen.array(group, b"expected_db")[at]),
        expected_expanded_uncertainty_db=float(
            seen.array(group, b"expected_expanded_uncertainty_db")[at]
        ),
        zero_change_db=float(zero_db[-1, at]) if len(zero_db) > 1 else math.nan,
        insertion_means_db=seen.array(group, b"insertion_means_db")[:, at].copy(),
        is_limited=bool(np.any(np.isfinite(limit_db))),
        is_doubted=bool(seen.text(group, b"doubts", "")),
        opening_zero=None
        if rules == FIRST_RULES
        else float(_FiguresSeen().array(group, b"zero_time")[0]),
    )


def _unfinished(path: Path) -> RunFigures:
    with open_run(path) as file:
        header = read_header(file)
    if header.finished:
        raise InputError(f"{str(path)!r} is damaged: it is finished, but cannot be read whole")
    return RunFigures(
        path=path,
        run_id=header.run_id,
        procedure=header.procedure,
        started=header.started,
        finished="",
        simulated=header.simulated,
        station=_shared(json.dumps(header.station, ensure_ascii=False)),
        item=header.item,
        bands={},
        finding="",
    )


def _attribute(place: h5py.h5i.ObjectID, name: bytes) -> Any:
    attribute = h5a.open(place, name)
    value = np.empty((), attribute.dtype)
    attribute.read(value)
    return value[()]


@lru_cache(maxsize=256)
def _shared(text: str) -> str:
    """One object for the many files that say the same."""
    return text


@lru_cache(maxsize=256)
def _bands_of(station: str) -> tuple[str, ...]:
    return tuple(json.loads(station)["bands"])
