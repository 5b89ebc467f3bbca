"""`tareline verify`, through the command line: what it says of good, changed and other files."""

import json
import shutil
from dataclasses import replace

import h5py
import numpy as np
import pytest

from drivers.errors import InputError
from drivers.sweep import Sweep
from harness.analysis.expected.catalogue_files import load_catalogue
from harness.analysis.stability.loss_series import LossSeries
from harness.evaluation.read_back import read_run
from harness.evaluation.run_analysis import assess, finish
from harness.evaluation.verification import OTHER_EDITION, verify
from harness.run_file import open_run, read_readings, take_up
from harness.run_file.digests import ANALYSIS, CONTENT, HEADER, header_digest, seal
from tests.harness.command_line import tareline
from tests.harness.made_runs import BAND, Length, header, make_run
from tests.long_cases import long

LENGTH = Length(9, 7, check_every=3, through_sweeps=2, insert_every=3, temperature_every=2)
ITEM = f"bands/{BAND}/insertions"


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("runs")
    of = header(folder / "station", LENGTH.points)
    make_run(folder / "unfinished.h5", of, LENGTH)
    shutil.copyfile(folder / "unfinished.h5", folder / "finished.h5")
    finish(folder / "finished.h5", "2027-01-16T08:00:00+00:00")
    return folder


@pytest.fixture
def folder(runs, tmp_path):
    for name in ("finished.h5", "unfinished.h5"):
        shutil.copyfile(runs / name, tmp_path / name)
    return tmp_path


def change(path, place, row, value, reseal=False):
    with h5py.File(path, "r+") as file:
        file[place][row] = value
        if reseal:
            del file["analysis"].attrs[CONTENT], file["analysis"].attrs[ANALYSIS]
            seal(file)


def test_good_and_unfinished_files_agree(folder):
    done = tareline("verify", "finished.h5", "unfinished.h5", folder=folder)
    assert done.returncode == 0, done.stderr
    assert "finished.h5: good; 9 sweeps of the item, 8 of the through" in done.stdout
    assert "unfinished.h5: not finished" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    document = json.loads(tareline("verify", "--json", "finished.h5", folder=folder).stdout)
    assert document["schema"] == "tareline-verification/1"
    assert document["files"][0]["state"] == "good"


@pytest.mark.parametrize(
    ("place", "row", "value", "says"),
    [
        (f"{ITEM}/readings", (4, 0, 2), 0.5, "insertions: sweep 5 is not what was written"),
        (f"{ITEM}/time", 3, 1.8e9 + 181, "insertions: sweep 4 is not what was written"),
        (f"{ITEM}/insertion", 0, 2, "insertions: sweep 1 is not what was written"),
        ("temperature/temperature_c", 1, 30.0, "temperatures are not what was written"),
        (f"bands/{BAND}/frequency_hz", 0, 1e9, "header is not what was written"),
        (f"analysis/{BAND}/insertion_loss_db", 2, 0.1, "analysis is not what was written"),
    ],
)
def test_every_change_is_noticed(folder, place, row, value, says):
    change(folder / "finished.h5", place, row, value)
    done = tareline("verify", "finished.h5", folder=folder)
    assert done.returncode == 1, done.stderr
    assert says in " ".join(done.stdout.split())
    if not place.endswith(("readings", "time", "insertion")):
        with pytest.raises(InputError, match="damaged"):
            read_run(folder / "finished.h5")


def test_a_wrong_analysis_is_noticed_even_where_its_digest_agrees(folder):
    change(folder / "finished.h5", f"analysis/{BAND}/insertion_loss_db", 2, 0.1, reseal=True)
    found = verify(folder / "finished.h5")
    assert found.state == "wrong"
    assert "insertion_loss_db differs by up to" in found.problems[0]


def test_sweeps_that_are_not_what_was_written_are_never_evaluated(folder):
    change(folder / "unfinished.h5", f"{ITEM}/readings", (4, 0, 2), 0.5)
    before = (folder / "unfinished.h5").read_bytes()
    for work in (assess, take_up, lambda path: finish(path, "2027-01-16T08:00:00+00:00")):
        with pytest.raises(InputError, match="sweep 5 is not what was written"):
            work(folder / "unfinished.h5")
    assert (folder / "unfinished.h5").read_bytes() == before
    assert not list(folder.glob(".*"))


def test_what_is_no_run_file_is_wrong_input_and_the_others_are_still_checked(folder):
    (folder / "other.h5").write_text("frequency,loss\n")
    done = tareline("verify", "other.h5", "finished.h5", "none.h5", folder=folder)
    assert done.returncode == 2
    assert "'other.h5' is not a run file" in done.stderr
    assert "finished.h5: good" in done.stdout


def test_a_folder_is_all_that_is_in_it(folder):
    (folder / ".draft.h5").write_bytes(b"")
    done = tareline("verify", folder, folder=folder)
    assert done.returncode == 0, done.stderr
    said = " ".join(done.stdout.split())
    assert "finished.h5: good" in said
    assert "unfinished.h5: not finished" in said
    (folder / "empty").mkdir()
    empty = tareline("verify", "empty", folder=folder)
    assert empty.returncode == 2
    assert "there is no run file in 'empty'" in empty.stderr


@pytest.mark.parametrize("command", ["truth", *long("export", "cable-model")])
def test_what_is_not_finished_is_left_out_with_a_word(folder, command):
    options = ["--csv", "out"] if command == "export" else []
    alone = tareline(command, "unfinished.h5", *options, folder=folder)
    assert alone.returncode == 2
    assert "is not finished" in alone.stderr
    assert "tareline resume unfinished.h5" in alone.stderr
    both = tareline(command, folder, *options, folder=folder)
    assert f"left out, not finished: {folder / 'unfinished.h5'}" in both.stderr
    if command == "export":
        assert both.returncode == 0, both.stderr
        assert [path.name for path in (folder / "out").iterdir()] == ["finished.csv"]


def test_a_certificate_is_of_one_finished_run(folder):
    for named, says in ((folder, "of one item"), ("unfinished.h5", "tareline resume")):
        done = tareline("certificate", named, folder=folder)
        assert done.returncode == 2
        assert says in done.stderr


def test_a_cut_file_is_damaged(folder):
    data = (folder / "finished.h5").read_bytes()
    (folder / "cut.h5").write_bytes(data[: len(data) // 2])
    assert tareline("verify", "cut.h5", folder=folder).returncode == 1


def test_another_schema_is_refused_by_every_command(folder):
    with h5py.File(folder / "unfinished.h5", "r+") as file:
        file.attrs["schema"] = "tareline-run/9"
    for command in ("verify", "report"):
        done = tareline(command, "unfinished.h5", folder=folder)
        assert done.returncode == 2
        assert "its schema is 'tareline-run/9'" in done.stderr


def test_a_run_that_went_on_after_a_stop_is_as_good_as_any(folder):
    path = folder / "unfinished.h5"
    with open_run(path) as file:
        readings = read_readings(file)[BAND]
    journal = take_up(path)
    journal.append(
        BAND, "insertions", 2,
        Sweep(readings.frequency_hz, ("S21",), readings.insertions[-1], 1.8e9 + 1000),
    )  # fmt: skip
    journal.close()
    finish(path, "2027-01-16T08:00:00+00:00")
    found = verify(path)
    assert (found.state, found.item_sweeps) == ("good", 10)


def test_the_series_of_a_run_has_its_temperature(folder):
    (result,) = assess(folder / "finished.h5").values()
    assert isinstance(result.series, LossSeries)
    assert np.all(np.diff(result.series.time) > 0)
    assert result.series.temperature_c[[0, 2]] == pytest.approx([20.0, 20.0002])
    assert np.mean(result.insertion_loss_db) == pytest.approx(np.mean(result.series.loss_db))


@pytest.fixture
def next_edition(monkeypatch):
    """The catalogue that comes with Tareline, where a cable now loses and spreads more."""
    known = load_catalogue()
    cable = known.cables["RG-316"]
    worse = replace(
        cable,
        conductor_db_per_m=1.1 * cable.conductor_db_per_m,
        relative_uncertainty=2.0 * cable.relative_uncertainty,
    )
    changed = replace(known, cables={**known.cables, "RG-316": worse})
    monkeypatch.setattr("harness.station.station.load_catalogue", lambda: changed)


def copy_of(recorded, folder, catalogue=None):
    """A copy of a run, which keeps another catalogue, or none as those of earlier versions."""
    path = shutil.copyfile(recorded.path, folder / "run.h5")
    with h5py.File(path, "r+") as file:
        if catalogue is None:
            del file.attrs["catalogue"]
        else:
            file.attrs["catalogue"] = catalogue
        file.attrs[HEADER] = header_digest(file)
        del file["analysis"].attrs[CONTENT], file["analysis"].attrs[ANALYSIS]
        seal(file)
    return path


@pytest.mark.usefixtures("next_edition")
def test_what_is_expected_follows_from_the_catalogue_that_the_run_keeps(recorded):
    found = verify(recorded.path)
    assert (found.state, found.notes) == ("good", ())
    with h5py.File(recorded.path) as file:
        kept = json.loads(file.attrs["catalogue"])
    assert set(kept["cables"]) == {"RG-316"}
    assert set(kept["joints"]) == {"SMA"}
    assert kept["sources"]["sheet-316"].startswith("maker's data sheet")
    assert "sheet-58" not in kept["sources"]


@pytest.mark.usefixtures("next_edition")
def test_another_edition_of_the_catalogue_makes_no_run_wrong(recorded, tmp_path):
    path = copy_of(recorded, tmp_path)
    found = verify(path)
    assert (found.state, found.notes) == ("good", (OTHER_EDITION,))
    change(path, f"analysis/{BAND}/insertion_loss_db", 2, 0.1, reseal=True)
    found = verify(path)
    assert found.state == "wrong"
    assert any("insertion_loss_db differs" in problem for problem in found.problems)


def test_a_run_without_its_catalogue_is_good_by_the_same_edition(recorded, tmp_path):
    found = verify(copy_of(recorded, tmp_path))
    assert (found.state, found.notes) == ("good", ())


@pytest.mark.parametrize(
    ("catalogue", "says"),
    [
        ('{"cables": {"RG-316": {"relative_uncertainty": -1}}}', "RG-316"),
        ('{"joints": {}, "run": "this"}', "Extra inputs"),
        ('{"sources": {"a": "b"}}', "no part 'RG-316'"),
        ("[1]", "CatalogueFile"),
    ],
)
def test_a_catalogue_that_somebody_else_put_there_is_checked(recorded, tmp_path, catalogue, says):
    path = copy_of(recorded, tmp_path, catalogue)
    with pytest.raises(InputError, match=says):
        assess(path)
