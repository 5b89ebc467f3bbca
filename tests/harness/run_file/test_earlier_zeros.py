"""Which zeros of earlier runs a new one is compared with."""

from dataclasses import replace

import numpy as np
import pytest

from drivers.sweep import Sweep
from harness.evaluation.run_analysis import finish
from harness.run_file import RunJournal
from harness.run_file.earlier_zeros import earlier_zeros
from harness.run_file.run import DOUBT, WANTED_AGAIN, ZERO_ANEW, Event
from harness.station.station import Station
from tests.harness.made_runs import BAND, header

POINTS = 5


@pytest.fixture(scope="module")
def begun(tmp_path_factory):
    """Of an item that says nothing of itself, so that nothing is diagnosed."""
    return replace(header(tmp_path_factory.mktemp("station"), POINTS), item={"id": "X"})


def write(folder, of, day, level_db, *events):
    """A finished run of one making of the through and one insertion."""
    band = of.station["bands"][BAND]
    grid = np.linspace(band["start_hz"], band["stop_hz"], POINTS)
    path = folder / f"{day}.h5"
    journal = RunJournal(path, of, {BAND: grid}, ("S21",))
    time = 1.8e9 + 86400.0 * day
    for kind, level in (("normalization", level_db), ("insertions", level_db - 0.5)):
        readings = np.full((1, POINTS), 10.0 ** (level / 20.0), complex)
        journal.append(BAND, kind, 0, Sweep(grid, ("S21",), readings, time))
        time += 60.0
    for kind in events:
        journal.event(Event(time, kind, "said"))
    journal.close()
    finish(path, "2027-01-16T08:00:00+00:00")


def found(folder, of):
    station = Station.as_it_stood(of.station, {})
    named = station.uncertainty.model_copy(update={"history": str(folder)})
    station = station.model_copy(update={"uncertainty": named})
    band = station.bands[BAND]
    grids = {BAND: np.linspace(band.start_hz, band.stop_hz, POINTS)}
    zeros = earlier_zeros(station, folder, grids, of.instruments)
    return [round(zero.level_db[BAND], 6) for zero in zeros]


def test_only_zeros_of_the_same_place_that_nobody_doubts_count(begun, tmp_path):
    write(tmp_path, begun, 1, -20.1)
    write(tmp_path, begun, 2, -20.2, DOUBT)
    write(tmp_path, begun, 3, -20.3, WANTED_AGAIN)
    leads = {**begun.station["leads"], "made_of": ["RG-142 1 m"], "loss_limits_db": 1.0}
    write(tmp_path, replace(begun, station={**begun.station, "leads": leads}), 4, -20.4)
    analyzer = {**begun.station["analyzer"], "power_dbm": -20.0}
    write(tmp_path, replace(begun, station={**begun.station, "analyzer": analyzer}), 5, -20.5)
    other = ({**begun.instruments[0], "identity": "another"},)
    write(tmp_path, replace(begun, instruments=other), 6, -20.6)
    write(tmp_path, begun, 7, -20.7)
    (tmp_path / "8.h5").write_text("no run")
    assert found(tmp_path, begun) == [-20.1, -20.7]


def test_none_counts_from_before_the_zero_was_said_to_be_another(begun, tmp_path):
    for day, events in enumerate([(), (ZERO_ANEW,), ()]):
        write(tmp_path, begun, day, -20.0 - day, *events)
    assert found(tmp_path, begun) == [-21.0, -22.0]
