"""A folder of run files as a lot: read, counted, sorted, shown, and traceable to each item."""

import base64
import csv
import dataclasses
import hashlib
import io
import json
import math
import re
import shutil
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote, unquote

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from drivers.errors import InputError
from harness.analysis.uncertainty.conformity import verdict_of
from harness.evaluation.read_back import read_run
from harness.evaluation.standing import Standing, deciding_band, standing_of_run, worst_point
from harness.report.figures.lot_figures import MOST_POINTS, _in_steps, _spans
from harness.report.files.lot_csv import COLUMNS, lot_csv
from harness.report.pages.lot_page import render_lot
from harness.report.tables.lot_table import print_lot
from harness.report.words.lot_words import glance, group_sentences
from harness.run_file.figures import read_figures
from harness.several_runs.lot import make_lot, read_lot, standing_of
from harness.several_runs.lot_findings import find_in_lot, yield_of
from tests.harness.command_line import tareline
from tests.harness.lot_files import Made, some_items, write_lot, write_run
from tests.harness.report.pages.test_run_page import BEFORE_CONTENT, Outline
from tests.long_cases import long

BAD = (3, 8)


@pytest.fixture(scope="module")
def lot_folder(recorded, tmp_path_factory):
    """Sixteen items, two of them bad, one bad one measured again; a run that stopped, a wreck."""
    folder = tmp_path_factory.mktemp("lots") / "lot 7"
    write_lot(recorded.path, folder, some_items(16, bad=BAD))
    write_run(recorded.path, folder, Made("PIG-00004", 30, 0.01))
    stopped = write_run(recorded.path, folder, Made("PIG-00017", 31, 0.0))
    _stop(stopped)
    (folder / "wreck.h5").write_bytes(stopped.read_bytes()[:2000])
    return folder


def _stop(path):
    with h5py.File(path, "r+", libver="latest") as file:
        del file["analysis"]
        file.attrs["finished"] = ""


def test_the_quick_reading_is_the_thorough_one(recorded):
    """Every figure is that of `read_run`, which reads by h5py's own objects."""
    quick, run = read_figures(recorded.path), read_run(recorded.path)
    assert (quick.run_id, quick.started, quick.finished) == (run.run_id, run.started, run.finished)
    assert (quick.item, quick.simulated, list(quick.bands)) == (
        run.item, run.simulated, list(run.bands),
    )  # fmt: skip
    for name, band in run.bands.items():
        point, own = worst_point(band), quick.bands[name]
        for field in dataclasses.fields(point):
            if field.name != "index":
                assert getattr(own, field.name) == getattr(point, field.name)
        assert own.zero_change_db == band.zero_change_db[-1, point.index]
        np.testing.assert_array_equal(
            own.insertion_means_db, band.insertion_means_db[:, point.index]
        )
        assert own.verdict == band.decision.verdict
        assert own.guard_band_db == band.decision.guard_band_db
    item = make_lot(Path("lot"), [quick]).items[0]
    assert item.standing is standing_of_run(run)
    assert item.deciding == deciding_band(run)


def test_a_figure_that_was_changed_is_noticed(recorded, tmp_path):
    """One bit of one figure: the file is not readable any more, and the lot says so."""
    assert read_figures(recorded.path).is_checked
    path = tmp_path / "changed.h5"
    shutil.copyfile(recorded.path, path)
    with h5py.File(path) as file:
        dataset = file["analysis/telemetry-868/expanded_uncertainty_db"]
        place = dataset.id.get_offset() + 8 * int(dataset.parent.attrs["worst_index"])
    content = bytearray(path.read_bytes())
    content[place + 6] ^= 1
    path.write_bytes(content)
    with pytest.raises(InputError, match="damaged"):
        read_figures(path)


def with_margins(template, name, margins_db, place):
    """The run of an item whose bands have these margins; None takes the verdict away."""
    bands = {}
    for (band, figures), margin_db in zip(template.bands.items(), margins_db, strict=True):
        changed = {"verdict": "", "margin_db": math.nan}
        if margin_db is not None:
            verdict = str(verdict_of(margin_db, figures.guard_band_db))
            changed = {"verdict": verdict, "margin_db": margin_db}
        bands[band] = dataclasses.replace(figures, **changed)
    return dataclasses.replace(
        template, run_id=f"{name}-{place}", item={**template.item, "id": name}, bands=bands,
        finished=f"2026-03-02T{place // 60:02d}:{place % 60:02d}:00+00:00",
    )  # fmt: skip


MARGIN = st.one_of(st.none(), st.floats(-2.0, 2.0))


@settings(max_examples=30)
@given(st.lists(st.tuples(st.integers(0, 8), MARGIN, MARGIN), min_size=1, max_size=25), st.data())
def test_counts_add_up_and_the_worst_comes_first(recorded, drawn, data):
    template = read_figures(recorded.path)
    runs = [
        with_margins(template, f"PIG-{item}", margins, place)
        for place, (item, *margins) in enumerate(drawn)
    ]
    lot = make_lot(Path("lot"), data.draw(st.permutations(runs)))
    assert sum(lot.counts.values()) == len(lot.items) == len({item for item, *_ in drawn})
    assert lot.retests + len(lot.items) == lot.runs == len(runs)
    last = {run.item["id"]: run.run_id for run in runs}
    assert {item.name: item.run.run_id for item in lot.items} == last
    share = yield_of(lot)
    accepted = sum(i.standing in (Standing.PASS, Standing.CONDITIONAL_PASS) for i in lot.items)
    assert share is not None
    assert (share.count, share.trials) == (accepted, len(lot.items))
    margins = [item.margin_db for item in lot.items if item.standing is not Standing.NO_VERDICT]
    assert margins == sorted(margins)
    silent = [item.standing is Standing.NO_VERDICT for item in lot.items]
    assert silent == sorted(silent, reverse=True)
    assert [item.name for item in make_lot(Path("lot"), runs).items] == [
        item.name for item in lot.items
    ]


@settings(max_examples=20)
@given(st.permutations(range(6)))
def test_items_stay_in_the_order_of_their_beginning(recorded, places):
    """A closing check finishes all runs anew at one moment; charts over time must not see that."""
    template = read_figures(recorded.path)
    runs = [
        dataclasses.replace(
            with_margins(template, f"PIG-{item}", (0.1, 0.1), 59),
            started=f"2026-03-02T00:{place:02d}:00+00:00",
        )
        for item, place in enumerate(places)
    ]
    for group in make_lot(Path("lot"), runs).groups:
        in_time = sorted(range(6), key=places.__getitem__)
        assert group.figures.items == tuple(f"PIG-{item}" for item in in_time)
        assert list(group.figures.time - group.figures.time[0]) == [60.0 * n for n in range(6)]


@settings(max_examples=12)
@given(st.lists(st.tuples(MARGIN, MARGIN), min_size=1, max_size=8), st.text(max_size=12))
def test_a_row_for_each_item_and_band(recorded, drawn, hostile):
    template = read_figures(recorded.path)
    template = dataclasses.replace(template, item={**template.item, "description": hostile})
    runs = [with_margins(template, f"=PIG-{n}", m, n) for n, m in enumerate(drawn)]
    lot = make_lot(Path("lot"), runs)
    rows = list(csv.DictReader(io.StringIO(lot_csv(lot.items), newline="")))
    assert len(rows) == 2 * len(lot.items)
    assert tuple(rows[0]) == COLUMNS
    places = iter(rows)
    for item in lot.items:
        for name, band in item.run.bands.items():
            row = next(places)
            assert row["item"] == f"'{item.name}"
            assert (row["band"], row["verdict"]) == (name, standing_of(band).word)
            assert float(row["insertion_loss_db"]) == band.insertion_loss_db
            assert (row["margin_db"] or "nan") == str(band.margin_db)


def test_what_differs_is_told_apart(recorded):
    """Another limit, another station, other parts: groups of their own, never one mean."""
    template = read_figures(recorded.path)
    station = json.loads(template.station)
    changes: tuple[dict[str, object], ...] = (
        {}, {"limits_db": {"telemetry-868": 0.7}}, {"made_of": ["RG-402 150 mm"]},
    )  # fmt: skip
    others = [
        dataclasses.replace(template, item={**template.item, **changed, "id": f"PIG-{place}"})
        for place, changed in enumerate(changes)
    ]
    elsewhere = json.dumps({**station, "name": "another bench"})
    others.append(
        dataclasses.replace(others[0], station=elsewhere, item={**template.item, "id": "PIG-9"})
    )
    others.append(
        dataclasses.replace(others[0], simulated=False, item={**template.item, "id": "PIG-10"})
    )
    lot = make_lot(Path("lot"), others)
    assert len(lot.groups) == 2 * len(others)
    assert all(len(group.items) == 1 for group in lot.groups)
    assert find_in_lot(lot) == []
    words = Outline(render_lot(lot, Path("lot"))).words
    for said in ("2 stations", "4 items simulated, the others measured", "of some of the items"):
        assert said in words, said


def test_a_lot_from_the_command_line(lot_folder):
    table = lot_folder.parent / "lot.csv"
    done = tareline("report", lot_folder.name, "--csv", table, folder=lot_folder.parent)
    assert done.returncode == 1
    assert max(map(len, done.stdout.splitlines())) <= 80
    flat = " ".join(done.stdout.split())
    for said in (
        "Lot lot 7: 16 items", "15 ✓ pass", "1 ✗ fail", "Simulated readings",
        "17 finished runs; 1 of them replaced", "1 run not finished; 1 file not readable",
        "Yield: 15 of 16 items accepted", "Failed in an earlier run and accepted in the last: "
        "PIG-00004", "PIG-00009", "connector or contact",
    ):  # fmt: skip
        assert said in flat, said
    page = (lot_folder / "report.html").read_text("utf-8")
    outline = Outline(page)
    assert not {"link", "img", "iframe"} & {tag for tag, _ in outline.tags}
    assert len(re.findall("<svg", page)) == 2 * 3
    for name in (f"PIG-{number:05d}" for number in range(1, 17)):
        assert name in outline.words
    links = {unquote(a["href"]) for a in outline.having("a") if not a["href"].startswith("#")}
    assert len(links) == 16
    assert all((lot_folder / link).is_file() for link in links)
    ids = {attrs["id"] for _, attrs in outline.tags if "id" in attrs}
    anchors = {a["href"][1:] for a in outline.having("a") if a["href"].startswith("#")}
    assert anchors <= ids
    text = table.read_text("utf-8-sig")
    names = [row["item"] for row in csv.DictReader(io.StringIO(text, newline=""))]
    assert names[:2] == ["PIG-00009"] * 2
    assert len(names) == 32


@pytest.mark.parametrize("width", [40, *long(60, 80, 120)])
def test_a_lot_fits_any_terminal(lot_folder, width):
    """Every figure of the wide table is in the narrow one too."""
    lot = read_lot(lot_folder)
    text = printed(lot, width)
    # a folder's name is never broken
    assert max(map(len, text.splitlines())) <= width
    figures = re.findall(r"\d\.\d+ ± \d\.\d+", printed(lot, 160))
    assert figures
    assert re.findall(r"\d\.\d+ ± \d\.\d+", " ".join(text.split())) == figures


@pytest.mark.long
def test_few_items_are_not_said_to_hold_none_apart(recorded, tmp_path):
    """With fewer than can be tested the cell is empty; the list says why its items are there."""
    folder = tmp_path / "few"
    write_lot(recorded.path, folder, some_items(6, bad=(2,)))
    lot = read_lot(folder)
    assert all(dict(glance(found))["Apart"] == "–" for found in find_in_lot(lot))
    words = Outline(render_lot(lot, folder)).words
    assert "Items whose loss has the shape of a fault." in words
    assert "Studentized" not in words
    assert "With the shape of a fault: 1" in printed(lot, 80)


def test_enough_items_are_counted_apart(lot_folder):
    lot = read_lot(lot_folder)
    assert all(dict(glance(found))["Apart"] == "1" for found in find_in_lot(lot))
    assert "Standing apart, or with the shape of a fault: 1" in printed(lot, 80)


@pytest.mark.long
def test_a_band_of_a_lot_stays_with_its_charts_on_paper(lot_folder):
    page = render_lot(read_lot(lot_folder), lot_folder)
    between = [found.group(1) for found in BEFORE_CONTENT.finditer(page)]
    assert len(between) >= 2
    for paragraphs in between:
        assert '<p class="lead">' in paragraphs.strip().splitlines()[-1], paragraphs
    on_paper = page[page.rindex("@media print") :]
    # a head is repeated on every sheet only where it is that of a table
    assert ".rows thead { display: table-header-group; }" in on_paper


def printed(lot, columns):
    seen = io.StringIO()
    print_lot(lot, Console(file=seen, width=columns))
    return seen.getvalue()


def test_a_lot_for_machines(lot_folder):
    done = tareline("report", lot_folder, "--json", folder=lot_folder.parent)
    assert done.returncode == 1
    told = json.loads(done.stdout)
    assert told["schema"] == "tareline-lot/1"
    assert told["counts"]["pass"] + told["counts"]["fail"] == len(told["items"]) == 16
    assert told["items"][0]["item"] == "PIG-00009"
    assert told["items"][0]["diagnosis"]
    assert told["retests"] == len(told["unreadable"]) == len(told["unfinished"]) == 1
    for group in told["groups"]:
        assert group["outliers"] == ["PIG-00009"]
        assert group["ppk"]["low"] < group["ppk"]["value"] < group["ppk"]["high"]


def test_the_script_that_finds_is_the_only_one(recorded):
    """The page's policy admits that script by its digest, and nothing else."""
    page = render_lot(make_lot(Path("lot"), [read_figures(recorded.path)]), Path("lot"))
    (script,) = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in page
    assert "default-src 'none'" in page


def test_pages_of_single_items_are_written_once(recorded, tmp_path):
    paths = write_lot(recorded.path, tmp_path, some_items(2))
    kept, missing = (path.with_suffix(".html") for path in paths)
    kept.write_text("kept", "utf-8")
    done = tareline("report", tmp_path, "--each", "--json", folder=tmp_path)
    assert "pages of single items written: 1" in done.stderr
    assert kept.read_text("utf-8") == "kept"
    assert "PIG-00002" in missing.read_text("utf-8")
    lot = make_lot(tmp_path, [read_figures(paths[1])])
    assert f'href="./{quote(missing.name)}"' in render_lot(lot, tmp_path)
    assert f'href="../{tmp_path.name}/' in render_lot(lot, tmp_path.parent / "elsewhere")


def test_what_cannot_be_a_lot_is_told(recorded, tmp_path):
    with pytest.raises(InputError, match="no run file in"):
        read_lot(tmp_path)
    (tmp_path / "a.h5").write_bytes(b"no HDF5")
    with pytest.raises(InputError, match="none of the 1 files"):
        read_lot(tmp_path)
    two = tareline("report", tmp_path, recorded.path, folder=tmp_path)
    assert two.returncode == 2
    assert "one folder" in two.stderr
    kept = recorded.path.read_bytes()
    onto = tareline("report", recorded.path, "--csv", recorded.path, folder=tmp_path)
    assert onto.returncode == 2
    assert recorded.path.read_bytes() == kept


@given(st.integers(MOST_POINTS + 1, 3000), st.integers(0, 2**31))
@settings(max_examples=20)
def test_no_extreme_is_lost_in_a_drawing(count, seed):
    values = np.random.default_rng(seed).normal(size=count)
    place = np.arange(1, count + 1)
    at, low, high = _spans(place, values)
    assert low.min() == values.min()
    assert high.max() == values.max()
    assert np.all(np.diff(at) > 0.0)
    assert np.all(low <= high)
    hours, means = _in_steps(np.sort(values), values[:, None])
    assert np.all(np.diff(hours) >= 0.0)
    assert len(means) <= MOST_POINTS


def test_items_with_a_diagnosed_fault_are_left_out_of_scatter_and_capability(lot_folder):
    """Ten items are too few to tell by their losses which do not belong; the shape of a loss
    tells. Where it accuses most items nothing is left to set them against: they are in."""
    runs = [item.run for item in read_lot(lot_folder).items]
    bad = next(run for run in runs if "PIG-00009" in run.path.name)
    sound = [run for run in runs if run is not bad][:9]
    for found in find_in_lot(make_lot(lot_folder, [bad, *sound])):
        left_out = [found.group.items[index].name for index in found.left_out]
        assert left_out == ["PIG-00009"]
        assert not len(found.summary.outliers.index)
        assert found.rest.overall_sd_db < 0.5 * found.capability.overall_sd_db
        assert np.isnan(found.chart.location.values[found.left_out]).all()
        said = dict(group_sentences(found))
        assert "1 item left out" in said["Without what stands apart or has the shape of a fault"]
    accused = [replace(run, finding=bad.finding) for run in sound]
    for found in find_in_lot(make_lot(lot_folder, accused)):
        assert not len(found.left_out)
        said = dict(group_sentences(found))
        assert "9 of 9 items with the shape of a fault are in" in said["Faults"]
    # of runs under the first rules what was said stays said
    earlier = [replace(run, rules=1) for run in (bad, *sound)]
    assert not any(len(found.left_out) for found in find_in_lot(make_lot(lot_folder, earlier)))
