"""`tareline gauge-study` on real run files, made with chosen losses."""

import io
import json
import shutil
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from rich.console import Console
from typer.testing import CliRunner

from drivers.errors import InputError
from harness.analysis.lots.gauge_variances import gauge_study
from harness.commands.cli import app
from harness.report.files.gauge_json import as_dict
from harness.report.tables.gauge_table import print_study
from harness.report.words.gauge_words import band_sentences
from harness.several_runs.gauge_results import assess_study
from harness.several_runs.gauge_runs import StudiedBand, StudiedRuns, read_study
from tests.harness.lot_files import ask_again
from tests.harness.study_runs import STARTED, study_workplace, write_study_run

ITEMS, OPERATORS, REPEATS = ("PIG-9", "PIG-10"), ("Ada", "Bo"), (1, 2)
GOOD, POOR = "telemetry-868", "backhaul-2400"
"""A band whose limit this bench can judge, and one in which its operators differ."""
SHAPE = np.array([0.0, 0.004, 0.002, 0.006, 0.001])


def losses(band):
    """(2, 2, 2)"""
    rng = np.random.default_rng(1)
    items = np.array([0.42, 0.45]).reshape(2, 1, 1)
    apart = 0.002 if band == GOOD else 0.1
    return items + np.array([0.0, apart]).reshape(1, 2, 1) + rng.normal(0, 0.001, (2, 2, 2))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("gauge")
    workplace = study_workplace(folder, ((GOOD, "0.6 dB"), (POOR, "0.7 dB")))
    for place, (i, o, r) in enumerate(np.ndindex(2, 2, 2)):
        parameters = {"operator": OPERATORS[o], "repeat": REPEATS[r], "sweeps": 1}
        by_band = {GOOD: losses(GOOD)[i, o, r] + SHAPE, POOR: losses(POOR)[i, o, r]}
        write_study_run(
            folder / "results", workplace, ITEMS[i], parameters, by_band,
            started=STARTED + 100 * place,
        )  # fmt: skip
    return folder, workplace


@pytest.fixture(scope="module")
def assessed(made):
    return assess_study(read_study(made[0] / "results"))


@pytest.fixture
def results(made, tmp_path):
    """A copy that a test may spoil."""
    shutil.copytree(made[0] / "results", tmp_path / "results")
    return tmp_path / "results"


def study(folder, *arguments):
    return CliRunner().invoke(app, ["gauge-study", str(folder), *arguments], env={"COLUMNS": "80"})


def refused(folder, message):
    done = study(folder)
    assert isinstance(done.exception, InputError), done.output
    with pytest.raises(InputError, match=message):
        raise done.exception


def test_runs_are_set_out_by_item_operator_and_repeat(assessed):
    read = assessed.runs
    assert (read.items, read.operators, read.repeats) == (ITEMS, OPERATORS, REPEATS)
    good, poor = read.bands
    # the through adapter's own loss comes on top, the same in every run
    added = good.loss_db - (losses(GOOD)[..., None] + SHAPE)
    np.testing.assert_allclose(added, np.broadcast_to(added[0, 0, 0], added.shape), atol=1e-9)
    assert good.deciding_index == 3
    assert good.deciding_limit_db == pytest.approx(0.6)
    assert poor.deciding_limit_db == pytest.approx(0.7)
    assert read.simulated


def test_json_says_what_the_analysis_finds(made):
    """Exit status 1: one of the two limits cannot be judged."""
    done = study(made[0] / "results", "--json")
    assert done.exit_code == 1
    document = json.loads(done.stdout)
    assert document["schema"] == "tareline-gauge-study/1"
    assert document["simulated"] is True
    good, poor = document["bands"]
    expected = gauge_study(losses(GOOD))
    parts = {part["part"]: part for part in good["at_frequency"]["components"]}
    assert parts["gauge in all"]["standard_deviation_db"] == pytest.approx(expected.gauge.sd)
    assert parts["items"]["high_db"] == pytest.approx(expected.item.sd_high)
    assert good["judgement"]["limit_db"] == pytest.approx(0.6)
    assert good["judgement"]["standing"] == "can judge"
    assert good["frequency_hz"] == pytest.approx(863e6 + 0.75 * 7e6)
    assert poor["judgement"]["standing"] == "cannot judge"


def test_a_band_without_a_limit():
    """It goes by the frequency at which an item loses most, and has no verdict."""
    rng = np.random.default_rng(5)
    loss = rng.normal(0.5, 0.01, (4, 3, 2, 1)) + SHAPE
    band = StudiedBand("free", np.linspace(1e9, 2e9, 5), loss, None)
    runs = StudiedRuns(Path("x"), tuple("abcd"), tuple("ABC"), (1, 2), (band,), False, ())
    assessed = assess_study(runs)
    assert band.deciding_index == 3
    assert band.deciding_limit_db is None
    assert not assessed.cannot_judge
    said = io.StringIO()
    print_study(assessed, Console(file=said, width=80))
    assert "no limit" in said.getvalue()
    assert "Simulated" not in said.getvalue()
    assert as_dict(assessed)["bands"][0]["judgement"] is None


def test_items_with_several_limits_go_by_the_lowest():
    loss = np.random.default_rng(6).normal(0.5, 0.01, (3, 2, 2, 1)) + SHAPE
    limits = np.array([[0.9], [0.7], [np.nan]]) * np.ones(5)
    band = StudiedBand("b", np.linspace(1e9, 2e9, 5), loss, limits)
    assert band.deciding_limit_db == pytest.approx(0.7)
    assert band.has_several_limits
    runs = StudiedRuns(Path("x"), tuple("abc"), tuple("AB"), (1, 2), (band,), False, ())
    assert "different limits" in " ".join(band_sentences(assess_study(runs).bands[0]))


@pytest.mark.parametrize("width", [60, 80, 132])
def test_the_tables_fit_and_say_it_plainly(assessed, width):
    text = io.StringIO()
    print_study(assessed, Console(file=text, width=width))
    assert max(len(line) for line in text.getvalue().splitlines()) <= width
    said = " ".join(text.getvalue().split())
    assert "2 items × 2 operators × 2 repeats; operators: Ada, Bo" in said
    assert "Simulated readings" in said
    assert "Can this bench judge its limits?" in said
    assert f"{GOOD} at 868.25 MHz: can judge the limit of 0.6 dB" in said
    assert f"{POOR} at" in said
    assert "cannot judge the limit of 0.7 dB" in said


@pytest.mark.long
def test_every_band_is_drawn(made, tmp_path):
    path = tmp_path / "study.svg"
    study(made[0] / "results", "--figure", str(path))
    text = path.read_text("utf-8")
    assert text.count("simulated readings") >= 2
    for name in (*OPERATORS, *ITEMS, GOOD, POOR):
        assert name in text
    assert len(ElementTree.fromstring(text).findall("{*}svg")) == 2


def test_gaps_are_named(results):
    for path in results.glob("*PIG-10-Bo*"):
        path.unlink()
    refused(
        results,
        "2 of 8 runs are missing: item PIG-10, operator Bo, repeat 1; item PIG-10, operator Bo, "
        "repeat 2",
    )


@pytest.mark.long
def test_unfinished_and_other_runs_are_told(made, results):
    _, workplace = made
    by_band = {GOOD: 0.44, POOR: 0.9}
    again = {"operator": "Bo", "repeat": 2, "sweeps": 1}
    later = {"started": STARTED + 9e5, "is_finished": False}
    write_study_run(results, workplace, "PIG-9", again, by_band, **later)
    write_study_run(results, workplace, "PIG-9", {"sweeps": 1}, by_band, started=STARTED + 8e5)
    write_study_run(results, workplace, "PIG-9", again, by_band, started=STARTED + 7e5)
    ask_again(write_study_run(results, workplace, "PIG-9", again, by_band, started=STARTED + 7.5e5))
    read = read_study(results)
    notes = " ".join(read.notes)
    assert "To be measured again, left out" in notes
    assert "1 run without operator and repeat left out" in notes
    assert "1 earlier run superseded" in notes
    assert "Not finished, left out" in notes
    assert "item PIG-9, operator Bo, repeat 2" in notes
    newest = read.bands[1].loss_db[0, 1, 1, 0]
    assert newest > 0.85


@pytest.mark.long
def test_too_small_a_study(results):
    for path in results.glob("*-Bo-*"):
        path.unlink()
    refused(results, "at least 2 operators, and this one has 1: Ada")


def test_runs_that_do_not_belong_together(made, results, tmp_path):
    other = study_workplace(tmp_path, ((GOOD, "0.6 dB"),))
    write_study_run(
        results, other, "PIG-9", {"operator": "Bo", "repeat": 2}, {GOOD: 0.4},
        started=STARTED + 1e6,
    )  # fmt: skip
    refused(results, "not measured at the same frequencies")


def test_what_is_no_folder_of_a_study(tmp_path):
    refused(tmp_path, "no finished run of a gauge study")
    refused(tmp_path / "nowhere", "is not a folder")
