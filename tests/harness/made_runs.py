"""Run files of any length, made at once: simulated readings of a starting station's item."""

from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np

from harness.run_file import RunHeader, RunJournal
from harness.run_file.digests import Chain
from harness.run_file.run import Event
from harness.station.items import item_as_dict, read_workplace
from harness.station.starter_files import write_starter

BAND, ITEM = "backhaul-2400", "PIG-0451"
BEGIN = 1.8e9
INTERVAL_S = 60.0
BLOCK = 1000


@dataclass(frozen=True)
class Length:
    """How long a run is, and how often what happens in it."""

    sweeps: int
    points: int
    check_every: int = 1000
    through_sweeps: int = 5
    insert_every: int = 10_000
    temperature_every: int = 50


def header(folder: Path, points: int) -> RunHeader:
    """That of a run of the starting station with one band of so many points."""
    write_starter(folder)
    workplace = read_workplace(folder / "station.toml", folder / "items.toml")
    band = workplace.station.bands[BAND].model_copy(update={"points": points})
    station = workplace.station.model_copy(update={"bands": {BAND: band}})
    return RunHeader(
        run_id="made", procedure="overnight", parameters={}, started="2027-01-15T08:00:00+00:00",
        software="tareline", station=station.as_dict(),
        item=item_as_dict(ITEM, workplace.items[ITEM]),
        instruments=({"role": "network analyzer", "resource": "r", "identity": "simulated"},),
        simulated=True,
    )  # fmt: skip


def make_run(path: Path, of: RunHeader, length: Length, seed: int = 1) -> Path:
    """Write an unfinished run; a drifting zero, noise, one trace."""
    band = of.station["bands"][BAND]
    frequency_hz = np.linspace(band["start_hz"], band["stop_hz"], length.points)
    rng = np.random.default_rng(seed)
    journal = RunJournal(path, of, {BAND: frequency_hz}, ("S21",))
    journal.event(Event(BEGIN, "note", "simulated readings"))
    for number in range(0, length.sweeps, length.temperature_every):
        journal.temperature(BEGIN + INTERVAL_S * number, 20.0 + 1e-4 * number)
    journal.close()
    _fill(path, frequency_hz, length, rng)
    return path


def _fill(path: Path, frequency_hz: np.ndarray, length: Length, rng: np.random.Generator) -> None:
    """Blocks of sweeps with their digests, past the journal: ten times as quick."""
    number = np.arange(length.sweeps)
    checks = np.append(np.arange(0, length.sweeps, length.check_every), length.sweeps)
    through_time = (BEGIN + INTERVAL_S * (checks[:, None] - 0.9)
                    + np.arange(length.through_sweeps)).ravel()  # fmt: skip
    making = np.repeat(np.arange(len(checks)), length.through_sweeps)
    loss_db = 0.5 * np.sqrt(frequency_hz / 1e9)
    with h5py.File(path, "r+", libver="latest") as file:
        for kind, index_name, index, time, lost_db in (
            ("normalization", "making", making, through_time, 0.0),
            ("insertions", "insertion", number // length.insert_every, BEGIN + INTERVAL_S * number,
             loss_db),
        ):  # fmt: skip
            part = file[f"bands/{BAND}/{kind}"]
            chain = Chain(BAND, kind)
            for name in (index_name, "time", "readings", "sha256"):
                part[name].resize(len(time), axis=0)
            for first in range(0, len(time), BLOCK):
                rows = slice(first, min(first + BLOCK, len(time)))
                shape = (rows.stop - first, len(frequency_hz))
                zero_db = 1e-7 * (time[rows, None] - BEGIN)
                level_db = zero_db - lost_db + 0.002 * rng.normal(size=shape)
                phase = np.exp(-2j * np.pi * frequency_hz * 3e-9)
                readings = (10.0 ** (level_db / 20.0) * phase)[:, None, :]
                part["readings"][rows] = readings
                part["time"][rows] = time[rows]
                part[index_name][rows] = index[rows]
                part["sha256"][rows] = chain.extend(index[rows], time[rows], readings)
