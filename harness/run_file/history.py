"""What earlier runs of a station say of the repeatability of a connection.

It is read when a run begins and kept in the run's own file, so that the analysis depends on that
file alone:

    /history/<band>/variance_db2    (P,), attributes dof, sweeps, runs and left_out (JSON text)
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from drivers.errors import InputError
from harness.analysis.arrays import FloatArray
from harness.analysis.loss.pooling import PooledRepeatability, RunScatter, pool
from harness.run_file import Group, open_run, read_events, read_header, require_intact
from harness.run_file.run import why_again
from harness.station.station import Station

MOST_RUNS = 200
"""The newest so many are read; run files are named by their time."""


def earlier_runs(
    station: Station, folder: Path, grids: Mapping[str, FloatArray], say: Callable[[str], None]
) -> dict[str, PooledRepeatability]:
    """Repeatability pooled over the finished runs in the folder that the station names, by band.

    `folder` is what that name is relative to; `grids` are the frequencies (P,) of each band.
    Runs count where station name and connector are the same, both are simulated or both not,
    both switched or both not, and the band has the same frequencies. What was pooled and what
    was not is told to `say`.

    Raises:
        InputError: the folder is none.
    """
    if station.uncertainty.history is None:
        return {}
    where = folder / station.uncertainty.history
    if where.exists() and not where.is_dir():
        raise InputError(
            f"{str(where)!r} is not a folder", hint="correct uncertainty.history in the station"
        )
    scatters: dict[str, list[RunScatter]] = {band: [] for band in grids}
    for path in sorted(where.glob("*.h5"))[-MOST_RUNS:]:
        try:
            found = _scatters(path, station, grids)
        except InputError as error:
            say(f"history: {path.name} was passed over: {error.what}")
            continue
        for band, scatter in found.items():
            scatters[band].append(scatter)
    pooled = {band: pool(runs) for band, runs in scatters.items()}
    for band, history in pooled.items():
        say(f"history, band {band}: {_told(history)}")
    return {band: history for band, history in pooled.items() if history is not None}


def _told(history: PooledRepeatability | None) -> str:
    if history is None:
        return "no earlier run of this station to pool with"
    told = f"{len(history.runs)} pooled, {history.dof:g} degrees of freedom"
    if history.left_out:
        told += f"; left out by Bartlett's test: {', '.join(history.left_out)}"
    return told


def _scatters(
    path: Path, station: Station, grids: Mapping[str, FloatArray]
) -> dict[str, RunScatter]:
    """What one run file says of each band; nothing where it is of another kind.

    Raises:
        InputError: it cannot be read, or the item is to be measured again.
    """
    with open_run(path) as file:
        header = read_header(file)
        if not header.finished or not _is_alike(header.station, station):
            return {}
        require_intact(file)
        if why := why_again(read_events(file)):
            raise InputError(f"it is to be measured again ({why})")
        found = {}
        for band, frequency_hz in grids.items():
            if band not in file["analysis"] or "doubts" in file[f"analysis/{band}"].attrs:
                continue
            means_db = file[f"analysis/{band}/insertion_means_db"][()]
            if len(means_db) < 2 or not np.array_equal(
                file[f"bands/{band}/frequency_hz"][()], frequency_hz
            ):
                continue
            insertion = file[f"bands/{band}/insertions/insertion"][()]
            sizes = np.unique(insertion, return_counts=True)[1]
            found[band] = RunScatter(
                run_id=header.run_id,
                variance_db2=np.asarray(np.var(means_db, axis=0, ddof=1)),
                dof=len(means_db) - 1,
                sweeps=float(1.0 / np.mean(1.0 / sizes)),
            )
        return found


def _is_alike(earlier: Mapping[str, Any], station: Station) -> bool:
    return bool(
        earlier.get("name") == station.name
        and earlier.get("leads", {}).get("connector") == station.leads.connector
        and earlier.get("leads", {}).get("far_connector") == station.leads.far_connector
        and ("simulation" in earlier) == (station.simulation is not None)
        and ("switch" in earlier) == (station.switch is not None)
    )


def write_history(group: Group, history: Mapping[str, PooledRepeatability]) -> None:
    """Keep the history in a run file that is about to be written; `group` is its root."""
    for band, pooled in history.items():
        part = group.create_group(f"history/{band}")
        part.create_dataset("variance_db2", data=pooled.variance_db2).attrs["unit"] = "dB2"
        part.attrs["dof"] = pooled.dof
        part.attrs["sweeps"] = pooled.sweeps
        part.attrs["runs"] = json.dumps(pooled.runs, ensure_ascii=False)
        part.attrs["left_out"] = json.dumps(pooled.left_out, ensure_ascii=False)


def read_history(file: Group) -> dict[str, PooledRepeatability]:
    """The history that an open run file keeps, by band; empty where it has none."""
    if "history" not in file:
        return {}
    return {
        band: PooledRepeatability(
            variance_db2=part["variance_db2"][()],
            dof=float(part.attrs["dof"]),
            runs=tuple(json.loads(part.attrs["runs"])),
            left_out=tuple(json.loads(part.attrs["left_out"])),
            sweeps=float(part.attrs["sweeps"]),
        )
        for band, part in file["history"].items()
    }
