"""The drawings: well-formed, fit for one page, honest about what they show."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from xml.etree import ElementTree

import matplotlib
import numpy as np
import pytest

from harness.report.figures import run_figures as figures
from harness.report.figures.budget_figure import budget_figure
from harness.report.figures.svg import WIDTH
from harness.run_file.run import BandResult, Run

STARTED_UNIX = 1_772_442_845.0


def drawings(run: Run, key: str) -> dict[str, str]:
    drawn = {
        "insertions": figures.insertions_figure(run.bands, f"{key}-i"),
        "zero": figures.zero_figure(run.bands, STARTED_UNIX, f"{key}-z"),
    }
    name, band = next(iter(run.bands.items()))
    drawn["loss"] = figures.loss_figure(name, band, f"{key}-l")
    drawn["budget"] = budget_figure(name, band)
    return drawn


@pytest.fixture(scope="module")
def drawn(few_bands: Run) -> dict[str, str]:
    return drawings(few_bands, "a")


def text_of(svg: str) -> str:
    return " ".join(element.text or "" for element in ElementTree.fromstring(svg).iter("text"))


def test_every_drawing_is_an_image_with_a_text(drawn: dict[str, str], few_bands: Run) -> None:
    for svg in drawn.values():
        root = ElementTree.fromstring(svg)
        assert root.tag == "svg"
        assert root.attrib["role"] == "img"
        assert "telemetry-433" in root.attrib["aria-label"]
    for contribution in few_bands.bands["telemetry-433"].budget:
        assert contribution.name in text_of(drawn["budget"])
    for name in few_bands.bands:
        assert name in text_of(drawn["insertions"])
        assert name in text_of(drawn["zero"])
    assert "mdB" in text_of(drawn["zero"])
    for label in ("loss ± U", "expected ± U", "limit", "worst point"):
        assert label in text_of(drawn["loss"])


def test_colour_and_type_come_from_the_page(drawn: dict[str, str]) -> None:
    for svg in drawn.values():
        assert "var(--ink)" in svg
        assert "font-family" not in svg
        assert not re.search(r"#[0-9a-f]{6}\b", svg)
        assert "http" not in svg
        assert "<style" not in svg


def test_ids_are_unique_and_every_reference_is_met(drawn: dict[str, str], few_bands: Run) -> None:
    page = "".join((*drawn.values(), *drawings(few_bands, "b").values()))
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    references = re.findall(r'href="#([^"]+)"|url\(#([^)]+)\)', page)
    assert references
    assert {a or b for a, b in references} <= set(ids)


def test_the_same_run_gives_the_same_bytes(drawn: dict[str, str], few_bands: Run) -> None:
    assert drawings(few_bands, "a") == drawn


def test_the_readers_own_settings_neither_matter_nor_change(
    drawn: dict[str, str], few_bands: Run
) -> None:
    with matplotlib.rc_context({"font.size": 31.0, "axes.grid": True, "lines.linewidth": 9.0}):
        assert drawings(few_bands, "a") == drawn
        assert matplotlib.rcParams["font.size"] == 31.0


def test_bare_bands_are_drawn_too(band_with: Callable[..., BandResult]) -> None:
    bare = band_with(np.array([1e9]), limit_over_expected=None, with_expected=False)
    text = text_of(figures.loss_figure("spot", bare, "x"))
    assert "loss ± U" in text
    assert "limit" not in text
    full = band_with(np.array([1e9]))
    assert "limit" in text_of(figures.loss_figure("spot", full, "y"))


def test_names_are_drawn_as_they_are(band_with: Callable[..., BandResult]) -> None:
    name = "a $x_1$ <b> & \x07 測定"
    band = band_with(np.linspace(1e9, 2e9, 5))
    shown = name.replace("\x07", "\ufffd")
    assert shown in text_of(figures.insertions_figure({name: band}, "i"))
    for svg in (figures.loss_figure(name, band, "l"), budget_figure(name, band)):
        assert shown in ElementTree.fromstring(svg).attrib["aria-label"]


def test_nothing_is_drawn_from_nothing(limitless_run: Run) -> None:
    with pytest.raises(ValueError, match="at least two"):
        figures.insertions_figure(limitless_run.bands, "i")
    with pytest.raises(ValueError, match="at least one later check"):
        figures.zero_figure(limitless_run.bands, STARTED_UNIX, "z")


def test_the_greatest_contribution_has_the_longest_bar(good_run: Run) -> None:
    name, band = next(iter(good_run.bands.items()))
    names = [line.name for line in sorted(
        band.budget,
        key=lambda line: -line.standard_uncertainty_db[band.decision.worst_index],
    )]  # fmt: skip
    drawn = budget_figure(name, band)
    text = text_of(drawn)
    places = [text.index(contribution) for contribution in names]
    assert places == sorted(places)
    assert text.index("combined") > places[-1]
    lengths = [
        float(bar.attrib["width"])
        for bar in ElementTree.fromstring(drawn).iter("rect")
        if "hairline" not in bar.attrib["style"]
    ]
    *lines, combined = lengths
    assert lines == sorted(lines, reverse=True)
    assert combined == WIDTH, "none is longer than all together"
    assert np.sqrt(np.sum(np.square(lines))) == pytest.approx(combined, abs=0.05)


def test_a_contribution_of_zero_is_drawn(band_with: Callable[..., BandResult]) -> None:
    band = band_with(np.linspace(1e9, 2e9, 5))
    nothing = dataclasses.replace(band.budget[0], standard_uncertainty_db=np.zeros(5))
    changed = dataclasses.replace(band, budget=(nothing, *band.budget[1:]))
    assert "0 dB" in text_of(budget_figure("b", changed))
