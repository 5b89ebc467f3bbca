"""Stability in the run file: what was written is read back, with units; the whole way of a run."""

import dataclasses

import numpy as np
import pytest

from harness.analysis.loss.band import stability_of_band
from harness.evaluation.read_back import read_run
from harness.evaluation.run_analysis import assess
from harness.report.files.result_json import as_dict
from harness.run_file import RunHeader, RunJournal, open_run
from harness.run_file.result_record import read_band, write_band
from tests.harness.report.conftest import frequencies, make_band
from tests.harness.short_run import ITEM, station_on
from tests.studies.stability.worlds import START, World


def same(one, other):
    """Equal to the last bit, arrays and nan included."""
    if dataclasses.is_dataclass(one):
        return type(one) is type(other) and all(
            same(getattr(one, f.name), getattr(other, f.name)) for f in dataclasses.fields(one)
        )
    if one is None or isinstance(one, str | tuple):
        return one == other
    return np.array_equal(one, other, equal_nan=True)


@pytest.mark.parametrize("warm_up_db", [0.0, 0.05])
def test_it_is_read_back_as_it_was(tmp_path, warm_up_db):
    drawn = World("white, 480", 480).draw(np.random.default_rng(1))
    since = drawn.series.time - START
    loss_db = drawn.series.loss_db + warm_up_db * np.exp(-since / 1500.0)
    loss_db[[100, 300]] += 0.1
    loss_db[350:] += 0.02
    temperature_c = None if warm_up_db else drawn.series.temperature_c
    series = dataclasses.replace(drawn.series, loss_db=loss_db, temperature_c=temperature_c)
    band = dataclasses.replace(
        make_band(frequencies("satellite")), series=series, zero_time=drawn.zero_time
    )
    band = dataclasses.replace(band, zero_change_db=band.zero_change_db[:1])
    band = dataclasses.replace(band, stability=stability_of_band(band))
    assert (band.stability.warm_up is not None) == (warm_up_db > 0.0)

    path = tmp_path / "run.h5"
    header = RunHeader("r1", "p", {}, "", "", {}, {}, (), simulated=True)

    def write(root):
        write_band(root.create_group("kept"), band)

    RunJournal(path, header, {"b": band.frequency_hz}, ("S21",), write).close()
    with open_run(path) as file:
        back = read_band(file["kept"], band.frequency_hz)
        units = {}
        file["kept/stability"].visititems(
            lambda name, part: (
                units.update({name: part.attrs["unit"]}) if hasattr(part, "shape") else None
            )
        )
    assert same(back.stability, band.stability)
    assert same(back.series, band.series)
    assert units["loss_db"] == units["allan/deviation_db"] == "dB"
    assert units["time"] == "s"


def test_a_long_run_has_it_from_file_to_json(tmp_path, benches):
    from harness.running.finding_procedures import find_procedure
    from harness.running.measure import Assignment, measure

    workplace = station_on(benches["vector"], tmp_path, "vector")
    work = Assignment(find_procedure("qualify"), {"insertions": 1, "sweeps": 24}, tmp_path / "r")
    (path,) = measure(workplace, workplace.choose([ITEM]), work)
    run = read_run(path)
    (band,) = run.bands.values()
    assert band.stability.sweeps == len(band.series.time) == 24
    assert same(assess(path).popitem()[1].stability, band.stability)
    (document,) = as_dict([run])["runs"]
    stability = document["bands"][0]["stability"]
    assert stability["sweeps"] == 24
    assert len(stability["allan"]["deviation_db"]) == len(stability["allan"]["pairs"]) > 0
    drift = stability["drift_db_per_h"]
    assert drift["low"] <= drift["value"] <= drift["high"]
