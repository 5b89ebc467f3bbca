"""Runs as CSV and Touchstone: what comes back is what the run states."""

import csv
import io
import shutil

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from skrf import Network

from drivers.recorded import read_recording
from harness.analysis.loss.band import BandReadings
from harness.analysis.loss.scattering import ItemScattering, item_scattering
from harness.evaluation.read_back import read_run
from harness.report.files.frequency_csv import COLUMNS, frequency_csv
from harness.report.files.spreadsheet import as_csv, cell
from harness.report.files.touchstone import touchstone_text
from tests.harness.command_line import tareline
from tests.harness.recorded_run import GRID
from tests.long_cases import examples


def read_back(text):
    return list(csv.reader(io.StringIO(text, newline="")))


@examples(6, 40)
@given(
    st.lists(
        st.tuples(
            st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00")),
            st.floats(allow_nan=False),
            st.integers(),
        ),
        max_size=5,
    )
)
def test_a_table_comes_back_as_it_was(rows):
    """RFC 4180 by Python's own reader; numbers to the last bit."""
    back = read_back(as_csv(("text", "number", "count"), rows))
    assert back[0] == ["text", "number", "count"]
    for row, (text, number, count) in zip(back[1:], rows, strict=True):
        assert row[0].removeprefix("'") == text.removeprefix("'")
        assert float(row[1]) == number
        assert int(row[2]) == count


@pytest.mark.parametrize("text", ["=1+1", "+1", "-x", "@sum", "\t=1", " =1", "\u00a0=1", "\r=1"])
def test_no_text_is_taken_for_a_formula(text):
    """OWASP, CSV injection: cells that begin with = + - @ tab or return (from memory)."""
    assert cell(text) == f"'{text}"


def test_numbers_stay_numbers():
    assert cell(-0.25) == "-0.25"
    assert cell(float("nan")) == cell(None) == ""
    assert cell(np.float64(1e-7)) == "1e-07"
    assert cell(True) == "yes"


def test_a_run_as_a_table(recorded):
    run = read_run(recorded.path)
    head, *rows = read_back(frequency_csv(run))
    assert tuple(head) == COLUMNS
    assert len(rows) == sum(len(band.frequency_hz) for band in run.bands.values())
    for name, band in run.bands.items():
        own = [dict(zip(head, row, strict=True)) for row in rows if row[head.index("band")] == name]
        assert [float(row["insertion_loss_db"]) for row in own] == band.insertion_loss_db.tolist()
        assert [float(row["limit_db"]) for row in own] == band.limit_db.tolist()
        assert {row["simulated"] for row in own} == {"yes"}


@pytest.mark.parametrize(("version", "suffix"), [("1.1", ".s2p"), ("2.0", ".ts")])
def test_the_item_comes_back_out_of_its_file(recorded, tmp_path, version, suffix):
    """Read by scikit-rf and by our own importer: the true two-port, from behind its leads."""
    done = tareline("export", recorded.path, "--touchstone", tmp_path, "--touchstone-version",
                    version, folder=tmp_path)  # fmt: skip
    assert done.returncode == 0, done.stderr
    path = tmp_path / f"{recorded.path.stem}{suffix}"
    ours = read_recording(path)
    s = Network(str(path)).s
    inside = np.isin(np.round(GRID), np.round(ours.frequency_hz))
    assert np.count_nonzero(inside) == len(ours.frequency_hz) == len(s)
    for name, (row, column) in {"S21": (1, 0), "S12": (0, 1)}.items():
        place = ours.traces.index(name)
        np.testing.assert_allclose(ours.readings[place], s[:, row, column], rtol=1e-8)
    # the two insertions differ by 0.0005, the through drifts by 0.0003
    np.testing.assert_allclose(s[:, 1, 0], recorded.s[inside, 1, 0], rtol=1e-3)
    np.testing.assert_allclose(s[:, 0, 1], recorded.s[inside, 0, 1], rtol=1e-3)
    assert not s[:, (0, 1), (0, 1)].any()
    assert np.linalg.svd(s, compute_uv=False).max() <= 1.0
    said = path.read_text("ascii")
    assert "Simulated readings" in said
    assert "S11, S22 were NOT measured at the item's plane" in said
    loss_db = np.concatenate([b.insertion_loss_db for b in read_run(recorded.path).bands.values()])
    np.testing.assert_allclose(-20 * np.log10(np.abs(s[:, 1, 0])), loss_db, atol=1e-6)


@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 2**31), st.sampled_from(["1.1", "2.0"]), st.booleans())
def test_any_two_port_comes_back(recorded, tmp_path, seed, version, shared):
    """Bands in any order; where they share frequencies, that with the smaller U stands there."""
    rng = np.random.default_rng(seed)
    run = read_run(recorded.path)
    names = list(run.bands)
    measured = {}
    for place, name in enumerate(reversed(names)):
        points = len(run.bands[name].frequency_hz)
        hz = np.sort(rng.uniform(1e8, 1e9, points)) + (0.0 if shared else place * 1e9)
        if shared and place:
            common = min(points, 5)
            hz[:common] = next(iter(measured.values())).frequency_hz[:common]
            hz = np.unique(hz)
            hz = np.concatenate([hz, hz[-1] + 1e6 * np.arange(1, points - len(hz) + 1)])
        s = rng.normal(size=(points, 2, 2)) + 1j * rng.normal(size=(points, 2, 2))
        measured[name] = ItemScattering(hz, s, True, False)
    path = tmp_path / ("two-port.s2p" if version == "1.1" else "two-port.ts")
    path.write_text(touchstone_text(run, measured, 50.0, version), "ascii")
    back = read_recording(path)
    assert np.all(np.diff(back.frequency_hz) > 0.0)
    best = {}
    for name, one in measured.items():
        u = run.bands[name].expanded_uncertainty_db
        for hz, s, own_u in zip(one.frequency_hz, one.s, u, strict=True):
            # as many digits as the file has
            key = float(f"{hz:.12g}")
            if key not in best or own_u < best[key][0]:
                best[key] = (own_u, s)
    assert set(back.frequency_hz.tolist()) == set(best)
    expected = np.array([best[hz][1] for hz in back.frequency_hz.tolist()])
    np.testing.assert_allclose(back.readings[1], expected[:, 1, 0], rtol=1e-8, atol=1e-12)
    np.testing.assert_allclose(back.readings[2], expected[:, 0, 1], rtol=1e-8, atol=1e-12)


def test_no_item_is_active():
    """Passive: the largest singular value is at most 1 (a property of any passive network). A loss
    below 0 dB by noise is cut off, and that is said; reflections of the instrument's planes, which
    would make an item of no loss active, are left out."""
    at, which = np.zeros(1), np.zeros(1, dtype=np.int64)
    through = np.full((1, 4, 2), 0.5, complex)
    item = through * np.array([1.01, 0.9])
    item[:, (1, 2)] = 0.3
    band = BandReadings(
        np.array([1e9, 2e9]), ("S21", "S11", "S22", "S12"), through, at, which,
        item, at + 1.0, which,
    )  # fmt: skip
    found = item_scattering(band, -20 * np.log10(np.array([1.01, 0.9])))
    assert np.linalg.svd(found.s, compute_uv=False).max() <= 1.0
    assert np.abs(found.s[:, 1, 0]) == pytest.approx([1.0, 0.9])
    assert found.is_cut_off


def test_magnitudes_alone_make_no_two_port():
    ones = np.ones((1, 1, 2), complex)
    at = np.zeros(1)
    which = np.zeros(1, dtype=np.int64)
    scalar = BandReadings(
        np.array([1e9, 2e9]), ("transmission",), ones, at, which, ones, at + 1.0, which
    )
    with pytest.raises(ValueError, match="no phase"):
        item_scattering(scalar, np.zeros(2))


def test_what_is_there_is_kept(recorded, tmp_path):
    first = tareline("export", recorded.path, "--csv", "out", folder=tmp_path)
    assert first.returncode == 0, first.stderr
    path = tmp_path / "out" / f"{recorded.path.stem}.csv"
    path.write_text("edited", "utf-8")
    again = tareline("export", recorded.path, "--csv", "out", "--touchstone", "out",
                     folder=tmp_path)  # fmt: skip
    assert again.returncode == 2
    assert "nothing was written" in again.stderr
    assert [p.name for p in path.parent.iterdir()] == [path.name]
    assert path.read_text("utf-8") == "edited"
    forced = tareline("export", recorded.path, "--csv", "out", "--force", folder=tmp_path)
    assert forced.returncode == 0
    assert path.read_bytes().startswith(b"\xef\xbb\xbfitem,")


def test_two_runs_never_share_a_file(recorded, tmp_path):
    (tmp_path / "other").mkdir()
    other = shutil.copy(recorded.path, tmp_path / "other")
    done = tareline("export", recorded.path, other, "--csv", "out", folder=tmp_path)
    assert done.returncode == 2
    assert "two of the runs" in done.stderr
    assert not (tmp_path / "out").exists()
