"""The page of a long run: small, whole, and nothing hidden in it."""

from __future__ import annotations

import dataclasses
import re
from io import StringIO
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from harness.analysis.loss.band import stability_of_band
from harness.analysis.stability.loss_series import LossSeries
from harness.report.pages.run_page import render_page
from harness.report.pages.stability_view import MOST_EVENTS, MOST_FAULTS
from harness.report.tables.run_table import print_runs
from harness.report.words.time_axis import COLUMNS, averaging_time, envelope, gaps
from harness.run_file.run import BandResult, Event, Run

MOST_BYTES = 1 << 20
LONG = 100_000


def long_band(band: BandResult, started: float, sweeps: int) -> BandResult:
    rng = np.random.default_rng(3)
    hours = np.arange(sweeps) / 60.0
    temperature_c = 23.0 + 2.0 * np.sin(0.7 * hours)
    loss_db = 0.6 + 0.003 * (temperature_c - 23.0) + rng.normal(0.0, 0.002, sweeps)
    loss_db[sweeps // 3] += 0.1
    loss_db[sweeps // 2 :] += 0.05
    keep = np.abs(hours / hours[-1] - 0.7) > 0.03
    series = LossSeries(
        (started + 3600.0 * hours)[keep], loss_db[keep], loss_db[keep] + 0.001,
        np.zeros(int(keep.sum()), dtype=np.int64), temperature_c[keep],
    )  # fmt: skip
    band = dataclasses.replace(band, series=series)
    return dataclasses.replace(band, stability=stability_of_band(band))


@pytest.fixture(scope="module")
def night(run_with, band_with) -> Run:
    started = 1_772_442_845.0
    grid = np.linspace(863e6, 870e6, 21)
    bands = {name: long_band(band_with(grid), started, 480) for name in ("near", "far")}
    faults = tuple(
        Event(started + 300.0 * k, "recovery", f"link <lost> {k}") for k in range(MOST_FAULTS + 7)
    )
    events = (
        Event(started, "schedule", '{"start": 1, "every_s": 60}'),
        *faults,
        Event(started + 20000.0, "missed", "3 ticks were missed"),
        *(Event(started + 60.0 * k, "connection", f"making {k}") for k in range(200)),
    )
    return run_with("FDR-0003", bands, procedure="overnight", events=events)


@pytest.fixture(scope="module")
def page(night) -> str:
    return render_page([night])


def test_the_page_shows_it_and_says_it(page):
    drawings = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
    labels = [ElementTree.fromstring(drawing).attrib["aria-label"] for drawing in drawings]
    in_time = [label for label in labels if "in time" in label]
    assert len(in_time) == 2
    assert all("1 marked outlier, 1 step, 1 gap," in label for label in in_time)
    assert sum(label.startswith("Allan deviation") for label in labels) == 1
    assert sum(label.startswith("Temperature from") for label in labels) == 1
    assert all(word in page for word in (">outlier<", ">step<", ">fault<"))
    for words in ("Stability", "mdB/h", "mdB/K", "The zero", "Faults and recoveries"):
        assert words in page
    assert "link &lt;lost&gt; 0" in page


def test_long_tables_are_cut_with_a_word(night, page):
    assert page.count('data-label="Next sweep after"') == MOST_FAULTS
    assert "8 more are in the run file." in page
    assert f"There are {len(night.events) - 1} events (connection 200" in page
    assert page.count('data-label="Kind"') <= MOST_FAULTS + MOST_EVENTS
    assert "every_s" not in page


def test_the_terminal_has_a_few_lines(night):
    out = StringIO()
    print_runs([night], Console(file=out, width=80))
    said = out.getvalue()
    assert said.count("stability, ") == 2
    assert "mdB/h" in said
    assert max(map(len, said.splitlines())) <= 80


@pytest.mark.long
def test_a_hundred_thousand_sweeps_make_a_small_page(run_with, band_with):
    grid = np.linspace(863e6, 870e6, 201)
    band = long_band(band_with(grid), 1_772_442_845.0, LONG)
    page = render_page([run_with("FDR-0003", {"telemetry-868": band})])
    assert len(page.encode()) < MOST_BYTES


@given(st.lists(st.floats(-1.0, 1.0), min_size=1, max_size=900), st.integers(0, 2**32 - 1))
def test_an_envelope_hides_nothing(values, seed):
    """The least and the greatest sweep are in it, whatever the times are."""
    series = np.array(values)
    spacing = np.random.default_rng(seed).choice([1.0, 1.0, 1.0, 50.0], len(series))
    drawn = envelope(np.cumsum(spacing), series)
    assert np.nanmin(drawn.low) == series.min()
    assert np.nanmax(drawn.high) == series.max()
    known = np.isfinite(drawn.mean)
    assert np.all(drawn.low[known] <= drawn.mean[known] + 1e-12)
    assert np.all(drawn.mean[known] <= drawn.high[known] + 1e-12)
    assert len(drawn.time) <= 2 * COLUMNS


def test_gaps_are_where_nothing_was_swept():
    time = 60.0 * np.delete(np.arange(100.0), np.arange(40, 50))
    assert gaps(time) == [(60.0 * 39, 60.0 * 50)]
    bursts = (600.0 * np.arange(20)[:, None] + np.arange(3)).ravel()
    assert gaps(bursts) == []
    assert np.isnan(envelope(time, np.ones(90)).mean[40])


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0.5, "0.5 s"), (32.0, "32 s"), (60.0, "1 min"), (1020.0, "17 min"), (15360.0, "4.3 h")],
)
def test_averaging_times_read_well(seconds, said):
    assert averaging_time(seconds) == said
