"""The zeros of a station's earlier runs, from the folder that it names as its history."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from drivers.errors import InputError
from harness.analysis.arrays import FloatArray
from harness.analysis.likeness.zero_level import EarlierZero
from harness.analysis.loss.loss import level_db, transmission_row
from harness.run_file import Group, open_run, read_events, read_header, read_making, require_intact
from harness.run_file.history import MOST_RUNS
from harness.run_file.run import DOUBT, WANTED_AGAIN, ZERO_ANEW
from harness.station.station import Station

SOURCES = ("analyzer", "generator", "spectrum_analyzer")


def earlier_zeros(
    station: Station,
    folder: Path,
    grids: Mapping[str, FloatArray],
    instruments: Sequence[Mapping[str, str]],
) -> list[EarlierZero]:
    """The opening zeros of finished runs that can be compared with one to come, in order.

    Runs count where name, leads, through, power and instruments are the same, both are simulated
    or both not, both switched or both not; bands with the same frequencies. None counts before
    one where somebody said that the zero is another from there on. `folder` is what the history
    is relative to; what cannot be read there is passed over, as the history itself says.
    """
    if station.uncertainty.history is None:
        return []
    now = json.loads(json.dumps(_what_matters(station.as_dict(), instruments)))
    found: list[EarlierZero] = []
    for path in sorted((folder / station.uncertainty.history).glob("*.h5"))[-MOST_RUNS:]:
        try:
            with open_run(path) as file:
                header = read_header(file)
                if not header.finished or _what_matters(header.station, header.instruments) != now:
                    continue
                require_intact(file)
                kinds = {event.kind for event in read_events(file)}
                if kinds & {DOUBT, WANTED_AGAIN}:
                    continue
                if ZERO_ANEW in kinds:
                    found = []
                found += _opening(file, grids)
        except InputError:
            continue
    return found


def _what_matters(
    station: Mapping[str, Any], instruments: Sequence[Mapping[str, str]]
) -> dict[str, Any]:
    """What the level of joined leads depends on."""
    return {
        **{key: station.get(key) for key in ("name", "leads", "through")},
        "power": [station.get(source, {}).get("power_dbm") for source in SOURCES],
        "simulated": "simulation" in station,
        "switched": "switch" in station,
        "instruments": sorted(
            [each["role"], each["identity"]]
            for each in instruments
            if each["role"] != "thermometer"
        ),
    }


def _opening(file: Group, grids: Mapping[str, FloatArray]) -> list[EarlierZero]:
    levels, times = {}, []
    for band, grid in grids.items():
        made = read_making(file, band, 0) if band in file["bands"] else None
        if made is None or not np.array_equal(made.frequency_hz, grid):
            continue
        transmission = made.readings[:, transmission_row(made.traces)]
        if np.all(np.abs(transmission) > 0.0):
            levels[band] = float(np.mean(level_db(transmission)))
            times.append(made.time)
    return [EarlierZero(min(times), levels)] if levels else []
