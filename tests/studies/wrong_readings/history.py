"""Runs of earlier days, made of one: its zero as it comes out from day to day."""

from dataclasses import replace

import numpy as np

from drivers.sweep import Sweep
from harness.evaluation.run_analysis import finish
from harness.run_file import RunJournal, open_run, read_header, read_readings

DAY_S = 86400.0
DAILY_DB = 0.03
"""Standard deviation of the level from day to day."""


def write_history(run, folder, days, off_db, seed=3):
    """One run for each of so many days before `run`, whose leads lost `off_db` less."""
    rng = np.random.default_rng(seed)
    with open_run(run) as file:
        header, bands = read_header(file), read_readings(file)
    folder.mkdir()
    grids = {name: band.frequency_hz for name, band in bands.items()}
    (traces,) = {band.traces for band in bands.values()}
    for day in range(1, days + 1):
        factor = 10.0 ** ((off_db + rng.normal(0.0, DAILY_DB)) / 20.0)
        path = folder / f"{days - day}.h5"
        journal = RunJournal(path, replace(header, finished=""), grids, traces)
        for name, band in bands.items():
            for kind, readings, times, numbers in (
                ("normalization", band.normalization, band.normalization_time,
                 band.normalization_making),
                ("insertions", band.insertions, band.insertion_time, band.insertion),
            ):  # fmt: skip
                for each, time, number in zip(readings, times, numbers, strict=True):
                    sweep = Sweep(band.frequency_hz, traces, each * factor, time - day * DAY_S)
                    journal.append(name, kind, int(number), sweep)
        journal.close()
        finish(path, header.started)
