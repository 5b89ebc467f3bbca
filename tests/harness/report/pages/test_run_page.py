"""The page: whole, self-contained, well-formed, complete, and safe to open."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from html import unescape
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from drivers.errors import SilentError
from harness.report.pages.run_page import CAUTIONS, render_page, write_page
from harness.report.words.sentences import SIMULATED
from harness.run_file.run import BandResult, Event, Run

VOID = {"meta", "br", "hr", "img", "link", "input", "wbr"}


class Outline(HTMLParser):
    """Checks nesting while it gathers tags, ids, references, headings and visible text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.feed(page)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).split())

    def having(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def page(all_runs: list[Run]) -> str:
    return render_page(all_runs)


@pytest.fixture(scope="module")
def outline(page: str) -> Outline:
    return Outline(page)


@pytest.fixture(scope="module")
def mixed_page(mixed_run: Run) -> str:
    return render_page([mixed_run])


def test_nothing_comes_from_elsewhere_and_nothing_runs(page: str, outline: Outline) -> None:
    assert not re.search(r"https?:|\bsrc=|@import|url\((?!#)", page)
    assert not {"script", "link", "img", "iframe", "object"} & {tag for tag, _ in outline.tags}
    assert not any(name.startswith("on") for _, attrs in outline.tags for name in attrs)
    for link in outline.having("a"):
        assert (link["href"] or "").startswith("#")


def test_drawings_are_well_formed(page: str, all_runs: list[Run]) -> None:
    drawings = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
    for drawing in drawings:
        root = ElementTree.fromstring(drawing)
        assert root.attrib["role"] == "img"
        assert root.attrib["aria-label"]
    bands = sum(len(run.bands) for run in all_runs)
    assert len(drawings) == 2 * bands + 2 * 3


def test_ids_are_unique_and_links_lead_somewhere(outline: Outline) -> None:
    ids = [attrs["id"] for _, attrs in outline.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    for link in outline.having("a"):
        assert (link["href"] or "").removeprefix("#") in ids


def test_structure(outline: Outline, all_runs: list[Run]) -> None:
    tags = [tag for tag, _ in outline.tags]
    assert outline.having("html")[0]["lang"] == "en"
    assert tags.count("main") == tags.count("h1") == 1
    assert tags.count("article") == len(all_runs)
    levels = [int(tag[1]) for tag in tags if re.fullmatch(r"h[1-6]", tag)]
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert all(attrs.get("scope") in {"col", "row"} for attrs in outline.having("th"))
    assert any(attrs.get("name") == "viewport" for attrs in outline.having("meta"))


def test_everything_is_said(outline: Outline, all_runs: list[Run]) -> None:
    words = outline.words
    for run in all_runs:
        assert str(run.item["id"]) in words
        assert run.run_id in words
        for event in run.events:
            assert event.text in words
        for instrument in run.instruments:
            assert instrument["identity"] in words
        for name, band in run.bands.items():
            assert name in words
            for line in band.budget:
                assert line.name in words
                assert line.source in words.replace("\u00a0", " ")
            for note in band.notes:
                assert note in words
    for verdict in ("pass", "conditional pass", "conditional fail", "fail", "no limit"):
        assert verdict in words
    assert "not finished" in words
    assert "ILAC-G8:09/2019" in words
    assert "95.45" in words
    for caution in CAUTIONS:
        assert caution in words


def test_the_verdict_comes_first(mixed_page: str) -> None:
    words = Outline(mixed_page).words
    body = words[words.index("Insertion loss report") :]
    assert body.index("fail") < body.index("Result by band") < body.index("Uncertainty budget")
    assert body.index("Uncertainty budget") < body.index("How it was measured")


def test_simulated_readings_say_so(mixed_page: str, limitless_run: Run) -> None:
    assert SIMULATED in Outline(mixed_page).words
    assert "imulated" not in Outline(render_page([limitless_run])).words.replace(
        "Simulated network analyzer", ""
    )


def test_an_unfinished_run_shows_no_result(unfinished_run: Run) -> None:
    page = render_page([unfinished_run])
    words = Outline(page).words
    assert "not finished" in words
    assert "Result by band" not in words
    assert "<svg" not in page


def test_a_stopped_run_tells_why_in_words(run_with: Callable[..., Run]) -> None:
    """No class name, no sign for what cannot be shown, no word broken in a narrow column."""
    error = SilentError(
        "sent ':INIT;*WAI;:FETC?', nothing came back", where="TCPIP0::1", hint="on?"
    )
    events = (
        Event(0.0, "connection", "normalizing"),
        Event(1.0, "recovery", f"starting afresh after: {error.what}"),
        Event(2.0, "error", f"{type(error).__name__}: {error}"),
    )
    page = render_page([run_with("PIG-0451", {}, finished="", events=events)])
    words = Outline(page).words
    assert "nothing came back. Where: TCPIP0::1. Try: on?" in words
    assert "SilentError" not in page
    assert "\ufffd" not in page
    assert ":INIT;<wbr>*WAI;<wbr>:FETC?" in page
    for kind in ("connection", "recovery", "error"):
        assert re.search(rf'<td [^>]*class="keep">{kind}</td>', page)
    assert re.search(r"\.keep[^{]*\{ white-space: nowrap; \}", page)


BEFORE_CONTENT = re.compile(
    r"</h[2-4]>\s*((?:<p\b[^>]*>(?:(?!</p>).)*</p>\s*)+)(?=<figure|<div class=\"pair|<table)",
    re.DOTALL,
)
"""What stands between a heading and the drawing or table that it is the heading of."""


def test_on_paper_headings_stay_with_what_they_head(page: str) -> None:
    on_paper = page[page.index("@media print") :]
    kept = re.search(r"([^{}]*)\{ break-after: avoid; \}", on_paper)
    assert kept is not None
    held = {name.strip() for name in kept.group(1).split(",")}
    assert {"h2", "h3", "h4", "caption", "figcaption", "thead", ".lead"} <= held
    between = [found.group(1) for found in BEFORE_CONTENT.finditer(page)]
    assert between
    for paragraphs in between:
        assert re.findall("<p[^>]*>", paragraphs) == ['<p class="lead">'], paragraphs


def test_hostile_text_stays_text(
    run_with: Callable[..., Run], band_with: Callable[..., BandResult]
) -> None:
    hostile = "</style><script>alert(1)</script>\"'><b>&amp;\x00\x1b {{ 7*7 }}"
    band = dataclasses.replace(band_with(np.linspace(1e9, 2e9, 3)), notes=(hostile,))
    run = run_with(
        hostile,
        {hostile: band},
        item={"id": hostile, "description": hostile, hostile: hostile},
        station={"name": hostile, "nest": {hostile: hostile}},
        instruments=({"role": hostile, "resource": hostile, "identity": hostile},),
        started=hostile,
        software=hostile,
        parameters={hostile: hostile},
    )
    page = render_page([run, run])
    outline = Outline(page)
    assert not {"script", "b"} & {tag for tag, _ in outline.tags}
    assert "\x00" not in page
    assert "\x1b" not in page
    shown = hostile.replace("\x00", "\ufffd").replace("\x1b", "\ufffd")
    assert outline.words.count(shown) > 15
    assert unescape(page).count("{{ 7*7 }}") > 15


def test_what_could_not_be_worked_out_is_called_unknown(
    run_with: Callable[..., Run], band_with: Callable[..., BandResult]
) -> None:
    band = band_with(np.linspace(1e9, 2e9, 4), limit_over_expected=None)
    lost = np.full(4, np.nan)
    unknown = dataclasses.replace(
        band,
        insertion_loss_db=lost,
        standard_uncertainty_db=lost,
        expanded_uncertainty_db=lost,
        effective_dof=lost,
        coverage_factor=lost,
        insertion_means_db=np.full((2, 4), np.nan),
        budget=tuple(dataclasses.replace(c, standard_uncertainty_db=lost) for c in band.budget),
    )
    page = render_page([run_with("x", {"spot": unknown})])
    assert "unknown" in Outline(page).words
    assert "nan" not in page.lower()


def test_the_same_runs_give_the_same_page(mixed_run: Run, mixed_page: str) -> None:
    assert render_page([mixed_run]) == mixed_page


def test_written_whole(unfinished_run: Run, tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.write_text("before", encoding="utf-8")
    write_page([unfinished_run], path)
    assert path.read_text(encoding="utf-8") == render_page([unfinished_run])
    with pytest.raises(ValueError, match="at least one run"):
        write_page([], path)
    assert path.read_text(encoding="utf-8") == render_page([unfinished_run])
    assert [entry.name for entry in tmp_path.iterdir()] == ["report.html"]


def test_what_cannot_be_replaced_is_left_as_it_was(unfinished_run: Run, tmp_path: Path) -> None:
    occupied = tmp_path / "report.html"
    occupied.mkdir()
    with pytest.raises(OSError, match=r"report\.html"):
        write_page([unfinished_run], occupied)
    assert [entry.name for entry in tmp_path.iterdir()] == ["report.html"]


def test_why_there_is_no_verdict_is_said_once(good_run: Run) -> None:
    """Beside the verdict, and not among the notes again, also where bands differ in a figure."""
    bands = {
        name: dataclasses.replace(band, doubts=(f"Is the item in? It reads 0.0{number} dB.",))
        for number, (name, band) in enumerate(good_run.bands.items(), start=1)
    }
    found = render_page([dataclasses.replace(good_run, bands=bands)])
    assert found.count("Is the item in?") == 1
