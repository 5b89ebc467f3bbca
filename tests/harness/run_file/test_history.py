"""Earlier runs of a station serve later ones, on the simulated bench and in its files."""

import shutil

import h5py
import numpy as np
import pytest

from drivers.errors import InputError
from drivers.quantities import SI_CONTEXT
from harness.evaluation.read_back import read_run
from harness.evaluation.run_analysis import assess
from harness.run_file import open_run, read_readings
from harness.run_file.history import earlier_runs, read_history
from harness.running.finding_procedures import find_procedure
from harness.running.measure import Assignment, measure
from harness.station.items import read_workplace
from harness.station.starter_files import write_starter
from harness.station.statements import statements_of
from harness.station.station import Station
from tests.harness.lot_files import ask_again
from tests.harness.set_ups import use_set_up

ITEMS = ["PIG-0451", "JMP-0107", "FDR-0012"]
BAND = "telemetry-868"


def change(path, *pairs):
    text = path.read_text("utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    path.write_text(text, "utf-8")


def workplace_at(folder, **parameters):
    workplace = read_workplace(folder / "station.toml", folder / "items.toml")
    values = {"insertions": 3, "sweeps": 2, "makings": 1, "check_every": 0, **parameters}
    return workplace, Assignment(find_procedure("qualify"), values, folder / "results")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A station with a history and two small bands; three items qualified, one spot-checked."""
    made = tmp_path_factory.mktemp("history")
    write_starter(made)
    change(
        made / "station.toml",
        ('# flexure = "0.005 dB"', 'flexure = "0.003 dB"'),
        ('most_change = "0.1 dB"', 'most_change = "0.001 dB"'),
        ('oldest = "8 h"', 'oldest = "1 min"'),
        ("# history", "history"),
    )  # fmt: skip
    use_set_up(made, "vector", points=5, bands=(BAND, "satellite"))
    workplace, work = workplace_at(made)
    measure(workplace, workplace.choose(ITEMS), work)
    workplace, work = workplace_at(made, insertions=1)
    measure(workplace, workplace.choose(["ELB-0033"]), work)
    return made


@pytest.fixture(scope="module")
def runs(folder):
    read = [read_run(path) for path in (folder / "results").glob("*.h5")]
    return {run.item["id"]: run for run in read}


def repeatability(run):
    return {line.name: line for line in run.bands[BAND].budget}["insertion repeatability"]


def test_the_history_grows_with_every_run(runs):
    assert "5 insertions" not in repeatability(runs[ITEMS[0]]).source
    assert repeatability(runs[ITEMS[0]]).dof == 2.0
    assert "one earlier run" in repeatability(runs[ITEMS[1]]).source
    spot_check = repeatability(runs["ELB-0033"])
    assert (spot_check.type, spot_check.dof) == ("A", 6.0)
    assert "3 earlier runs" in spot_check.source
    notes = " ".join(runs["ELB-0033"].bands[BAND].notes)
    assert all(runs[item].run_id in notes for item in ITEMS)


def test_the_pool_is_that_of_the_runs(runs):
    """sum(dof s^2) / sum(dof), worked out here from the insertion means that the runs state."""
    variances = [
        np.var(runs[item].bands[BAND].insertion_means_db, axis=0, ddof=1) for item in ITEMS
    ]
    assert repeatability(runs["ELB-0033"]).standard_uncertainty_db == pytest.approx(
        np.sqrt(np.mean(variances, axis=0))
    )


def test_the_analysis_depends_on_the_run_file_alone(runs, tmp_path):
    """Away from its folder and its history it comes out as it was, to the last bit."""
    run = runs["ELB-0033"]
    alone = tmp_path / "alone.h5"
    alone.write_bytes(run.path.read_bytes())
    again = assess(alone)
    for band, result in run.bands.items():
        np.testing.assert_array_equal(
            again[band].expanded_uncertainty_db, result.expanded_uncertainty_db
        )
        np.testing.assert_array_equal(again[band].interval_low_db, result.interval_low_db)
        assert again[band].zero_marks == result.zero_marks
        mismatch = {line.name: line for line in result.budget}["mismatch"]
        assert mismatch.parts_db.shape == (6, 5)
    with open_run(alone) as file:
        history = read_history(file)
    assert set(history) == set(run.bands)
    assert history[BAND].dof == 6.0


def test_a_zero_that_the_station_does_not_allow_marks_the_run(runs):
    """A thousandth of a decibel, and a minute, are less than any bench keeps to."""
    marks = [mark for band in runs[ITEMS[0]].bands.values() for mark in band.zero_marks]
    assert any("0.001 dB that the station allows" in mark for mark in marks)
    assert any("older than the" in mark for mark in marks)
    said = [event.text for event in runs[ITEMS[0]].events if event.kind == "note"]
    # said at the bench in the same words, once; how old it was there is what was known by then
    told = [text for text in said if "older than the" in text]
    assert len(told) == 1
    assert told[0].split("up to")[0] in {mark.split("up to")[0] for mark in marks}


def test_what_a_data_sheet_says_is_in_the_budget(runs):
    lines = {line.name: line for line in runs[ITEMS[0]].bands[BAND].budget}
    assert lines["leakage"].source.startswith("station: isolation")
    assert lines["flexure of the leads"].standard_uncertainty_db == pytest.approx(
        0.003 / np.sqrt(3)
    )


def test_other_stations_and_unreadable_files_do_not_count(folder, tmp_path):
    workplace, _ = workplace_at(folder)
    grids = {BAND: workplace.station.settings(BAND).frequency_hz()}
    said = []
    assert set(earlier_runs(workplace.station, folder, grids, said.append)) == {BAND}
    other = workplace.station.model_copy(update={"name": "Saltmarsh Telemetry, bench 3"})
    assert earlier_runs(other, folder, grids, said.append) == {}
    finer = {BAND: np.linspace(8.63e8, 8.70e8, 7)}
    assert earlier_runs(workplace.station, folder, finer, said.append) == {}
    broken = tmp_path / "results"
    broken.mkdir()
    (broken / "torn.h5").write_bytes(b"torn")
    assert earlier_runs(workplace.station, tmp_path, grids, said.append) == {}
    assert any("torn.h5 was passed over" in text for text in said)


def test_a_run_that_is_not_what_was_written_does_not_count(folder, runs, tmp_path):
    """Its scatter would otherwise go into the uncertainty of every later run."""
    workplace, _ = workplace_at(folder)
    grids = {BAND: workplace.station.settings(BAND).frequency_hz()}
    (tmp_path / "results").mkdir()
    changed = tmp_path / "results" / "changed.h5"
    shutil.copyfile(runs["PIG-0451"].path, changed)
    said = []
    assert set(earlier_runs(workplace.station, tmp_path, grids, said.append)) == {BAND}
    with h5py.File(changed, "r+") as file:
        file[f"analysis/{BAND}/insertion_means_db"][0] += 1e-3
    assert earlier_runs(workplace.station, tmp_path, grids, said.append) == {}
    assert any("changed.h5 was passed over" in text for text in said)


def test_what_is_to_be_measured_again_does_not_count(folder, runs, tmp_path):
    """Nobody knows which zero its insertions were made with."""
    workplace, _ = workplace_at(folder)
    grids = {BAND: workplace.station.settings(BAND).frequency_hz()}
    (tmp_path / "results").mkdir()
    ask_again(shutil.copy(runs["PIG-0451"].path, tmp_path / "results" / "doubted.h5"))
    said = []
    assert earlier_runs(workplace.station, tmp_path, grids, said.append) == {}
    assert "doubted.h5 was passed over: it is to be measured again (the zero moved" in said[0]


def test_a_history_that_is_no_folder_is_refused(folder, tmp_path):
    workplace, _ = workplace_at(folder)
    (tmp_path / "results").write_text("", "utf-8")
    with pytest.raises(InputError, match="is not a folder"):
        earlier_runs(workplace.station, tmp_path, {}, print)


@pytest.mark.long
def test_several_makings_checks_between_and_monte_carlo(folder):
    """Three makings at each of three checks: the reference rests on their own scatter. The run
    is assessed by Monte Carlo, and reads back as it was written."""
    change(folder / "station.toml", ('method = "gum"', 'method = "monte carlo"'))
    workplace, work = workplace_at(folder, insertions=4, makings=3, check_every=2)
    (path,) = measure(workplace, workplace.choose(["PIG-0452"]), work)
    with open_run(path) as file:
        readings = read_readings(file)[BAND]
    assert readings.normalization_making.max() == 8
    band = read_run(path).bands[BAND]
    lines = {line.name: line for line in band.budget}
    assert lines["connection of the reference"].dof == 6.0
    assert band.method == "monte carlo"
    assert band.trials >= 20_000
    assert band.gum_validated is not None
    again = assess(path)[BAND]
    np.testing.assert_array_equal(band.interval_high_db, again.interval_high_db)
    np.testing.assert_array_equal(band.gum_difference_db, again.gum_difference_db)
    assert np.all(
        band.interval_high_db - band.interval_low_db <= 2.001 * band.expanded_uncertainty_db
    )
    assert "9 makings of the through" in lines["connection of the reference"].source


def test_statements_reach_the_analysis(workplace_folder):
    """What the station file says, in SI, with the key it was said under; and back from SI."""
    change(
        workplace_folder / "station.toml",
        ('linearity = "0.002 dB"', 'linearity_per_10_db = "0.005 dB"\nlinearity = "0.01 dB"'),
        ('isolation = "120 dB"', 'isolation = "90 dB"'),
        ("# resolution", "resolution"),
        ('# flexure = "0.005 dB"', 'flexure = "0.004 dB"'),
        ('# temperature_limits = "1 K"', 'temperature_limits = "2 K"'),
        ('most_change = "0.1 dB"', 'most_change = "0.05 dB"'),
        ('oldest = "8 h"', 'oldest = "4 h"'),
        ('method = "gum"', 'method = "monte carlo"'),
    )
    workplace = read_workplace(workplace_folder / "station.toml", workplace_folder / "items.toml")
    station = workplace.station
    again = Station.model_validate(
        station.as_dict(), context=SI_CONTEXT, by_alias=False, by_name=True
    )
    assert again == station
    frequency_hz = np.linspace(1e9, 2e9, 3)
    found = statements_of(station, workplace.items["PIG-0451"], frequency_hz)
    assert (found.linearity_db, found.linearity_per_10_db) == (0.01, 0.005)
    assert (found.isolation_db, found.resolution_db, found.flexure_db) == (90.0, 0.001, 0.004)
    assert (found.most_zero_change_db, found.oldest_zero_s) == (0.05, 14400.0)
    assert found.temperature_limits_k == 2.0
    # between none of a cable's loss (dielectric) and all of it (copper, NBS Handbook 100)
    assert np.all((found.temperature_coefficient_per_k > 0.001)
                  & (found.temperature_coefficient_per_k < 0.00197))  # fmt: skip
    assert station.uncertainty.method == "monte carlo"
