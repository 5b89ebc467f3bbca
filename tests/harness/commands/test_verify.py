"""`tareline verify`, through the command line: what it says of good, changed and other files."""

import json
import shutil

import h5py
import numpy as np
import pytest

from drivers.errors import InputError
from drivers.sweep import Sweep
from harness.analysis.stability.loss_series import LossSeries
from harness.evaluation.read_back import read_run
from harness.evaluation.run_analysis import assess, finish
from harness.evaluation.verification import verify
from harness.run_file import open_run, read_readings, take_up
from harness.run_file.digests import ANALYSIS, CONTENT, seal
from tests.harness.command_line import tareline
from tests.harness.made_runs import BAND, Length, header, make_run

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


@pytest.mark.parametrize("command", ["export", "truth", "cable-model"])
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
