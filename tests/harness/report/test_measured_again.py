"""What was doubted stays doubted: an item to be measured again counts nowhere as passed."""

import csv
import io
import json

import pytest
from rich.console import Console

from harness.evaluation.read_back import read_run
from harness.evaluation.standing import Standing, standing_of_run
from harness.report.files.frequency_csv import frequency_csv
from harness.report.files.result_json import as_dict
from harness.report.pages.lot_page import render_lot
from harness.report.pages.run_page import render_page
from harness.report.tables.run_table import print_runs
from harness.run_file.figures import read_figures
from harness.running.lot.folder import lot_so_far
from harness.several_runs.lot import read_lot
from harness.several_runs.lot_findings import find_in_lot, yield_of
from tests.harness.command_line import tareline
from tests.harness.lot_files import ask_again, some_items, write_lot

WHY = "the zero moved by 0.3 dB"
AGAIN = ("PIG-00002", "PIG-00005")


@pytest.fixture(scope="module")
def doubted(recorded, tmp_path_factory):
    """Eight items, all of which pass by their figures, and two are to be measured again: one as
    this version says it, one as earlier versions did."""
    folder = tmp_path_factory.mktemp("doubted") / "lot"
    paths = write_lot(recorded.path, folder, some_items(8))
    ask_again(paths[1])
    ask_again(paths[4], is_earlier=True)
    return folder, paths


def test_they_are_in_no_count_no_yield_and_no_chart(doubted):
    folder, _ = doubted
    lot = read_lot(folder)
    assert lot.counts[Standing.AGAIN] == 2
    assert lot.counts[Standing.PASS] == 6
    assert not lot.is_good
    share = yield_of(lot)
    assert (share.count, share.trials) == (6, 6)
    for found in find_in_lot(lot):
        assert not {item.name for item in found.group.items} & set(AGAIN)
        assert found.summary.count == 6
    page = render_lot(lot, folder)
    assert "To be measured again, and in no count, chart or yield: PIG-00002, PIG-00005." in page


def test_tables_and_files_for_programs_say_so(doubted, tmp_path):
    folder, paths = doubted
    done = tareline("report", folder, "--csv", "lot.csv", "--json", folder=tmp_path)
    assert done.returncode == 1
    document = json.loads(done.stdout)
    assert document["counts"]["measure again"] == 2
    assert document["yield"]["accepted"] == document["yield"]["judged"] == 6
    again = {item["item"]: item for item in document["items"] if item["to_be_measured_again"]}
    assert sorted(again) == list(AGAIN)
    for item in again.values():
        assert item["to_be_measured_again"] == WHY
        assert {item["verdict"], *(band["verdict"] for band in item["bands"])} == {"measure again"}
    text = (tmp_path / "lot.csv").read_text("utf-8-sig")
    rows = [row for row in csv.DictReader(io.StringIO(text)) if row["item"] in AGAIN]
    assert {row[key] for row in rows for key in ("item_verdict", "verdict")} == {"measure again"}
    run = read_run(paths[1])
    (result,) = as_dict([run])["runs"]
    assert result["to_be_measured_again"] == WHY
    assert {band["verdict"] for band in result["bands"]} == {None}
    assert ",measure again," in frequency_csv(run)
    shown = io.StringIO()
    print_runs([run], Console(width=80, file=shown))
    told = " ".join(shown.getvalue().split())
    assert f"This item is to be measured again: {WHY}." in told
    assert "pass " not in told.replace("neither passes", "")
    assert f"to be measured again: {WHY}" in render_page([run]).replace("\u00a0", " ")


def test_delay_and_truth_leave_them_out(doubted, tmp_path):
    folder, paths = doubted
    done = tareline("delay", folder, "--json", folder=tmp_path)
    assert len(json.loads(done.stdout)["runs"]) == 6
    assert done.stderr.count("left out, to be measured again") == 2
    for command in ("delay", "truth"):
        done = tareline(command, paths[1], folder=tmp_path)
        assert done.returncode == 2
        assert WHY in done.stderr


def test_they_are_still_to_be_done_at_the_next_sitting(doubted):
    folder, _ = doubted
    lot = lot_so_far(folder, read_figures(doubted[1][0]).procedure)
    assert sorted(outline.serial for outline in lot.wanted_again()) == list(AGAIN)
    assert "2 measure again" in lot.summary()


def test_they_get_no_certificate(doubted, tmp_path):
    _, paths = doubted
    for path in (paths[1], paths[4]):
        assert standing_of_run(read_run(path)) is Standing.AGAIN
        done = tareline("certificate", path, "--page", "out.html", folder=tmp_path)
        assert done.returncode == 2
        assert WHY in " ".join(done.stderr.split())
        assert not (tmp_path / "out.html").exists()
    despite = ("--despite", "customer's wish, fax of 3 March")
    done = tareline("certificate", paths[1], "--page", "out.html", *despite, folder=tmp_path)
    assert done.returncode == 1
    page = (tmp_path / "out.html").read_text("utf-8").replace("\u00a0", " ")
    assert "fax of 3 March" in page
    assert WHY in page
    assert "✓" not in page
