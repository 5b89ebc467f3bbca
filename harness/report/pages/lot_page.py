"""The page of a lot: what stands apart first, then each band, then every item.

It has one script, a search, admitted by its digest in the page's policy; all else works without.
"""

from __future__ import annotations

import base64
import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from urllib.parse import quote

from drivers.quantities import counted
from harness.evaluation.standing import Standing
from harness.report.figures.lot_figures import chart_figure, distribution_figure, drift_figure
from harness.report.files.whole_file import write_whole
from harness.report.pages.frame import render, resource
from harness.report.pages.run_page import CAUTIONS
from harness.report.words import numbers
from harness.report.words.lot_words import (
    GLANCE_LEGEND,
    apart_sentence,
    diagnosis,
    glance,
    group_name,
    group_sentences,
    limit_words,
    lot_sentence,
    no_outliers_sentence,
    oddities,
    runs_sentence,
    yield_sentence,
)
from harness.report.words.numbers import CONFIDENCE
from harness.report.words.sentences import SIMULATED
from harness.several_runs.lot import Lot, LotItem, standing_in
from harness.several_runs.lot_findings import Apart, GroupFindings, find_in_lot, stand_apart

ROWS_TOGETHER = 250
"""Rows of the table of items that a browser lays out at once, when they come into view."""
MOST_DRAWN = 24
"""Groups with drawings; beyond them a page would drown in them."""
MOST_DIAGNOSED = 500
"""Items whose diagnosis stands in the table; that of the others is in their own reports."""
MOST_APART = 50
MOST_LISTED = 2
"""Bands that are listed one by one."""


@dataclass(frozen=True)
class ItemRow:
    """One item; every text finished."""

    name: str
    link: str
    standing: Standing
    band: str
    at: str
    loss: str
    limit: str
    margin: str
    runs: int
    diagnosis: str


@dataclass(frozen=True)
class GroupView:
    """One band of comparable items; drawings are finished SVG, empty where there is none."""

    anchor: str
    name: str
    limit: str
    count: int
    counts: str
    glance: list[tuple[str, str]]
    distribution: str
    chart: str
    drift: str
    sentences: list[tuple[str, str]]


@dataclass(frozen=True)
class ApartRow:
    """An item that stands apart from the others of its group."""

    name: str
    link: str
    standing: Standing
    where: str
    diagnosis: str


def render_lot(lot: Lot, page_folder: Path) -> str:
    """The page as text; links are relative to `page_folder`."""
    found = find_in_lot(lot)
    apart = stand_apart(lot, found)
    script = resource("lot.js")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    alone = [group for group in lot.groups if len(group.items) < 2]
    rows = [
        _item_row(item, page_folder, place < MOST_DIAGNOSED) for place, item in enumerate(lot.items)
    ]
    return render(
        "lot.html",
        ["page.css", "lot.css"],
        script=script,
        script_digest=digest,
        folder=lot.folder.resolve().name,
        summary=lot_sentence(lot),
        counts=[(standing, n) for standing, n in lot.counts.items() if n],
        yielded=yield_sentence(lot),
        runs=runs_sentence(lot),
        oddities=oddities(lot),
        simulated=any(item.run.simulated for item in lot.items),
        simulated_only=all(item.run.simulated for item in lot.items),
        simulated_banner=SIMULATED,
        groups=[_group(one, lot, f"group{place}") for place, one in enumerate(found[:MOST_DRAWN])],
        not_drawn=[group_name(one.group, lot.groups) for one in found[MOST_DRAWN:]],
        alone=len(alone),
        apart=_apart(apart[:MOST_APART], page_folder),
        all_apart=len(apart),
        no_outliers=no_outliers_sentence(found),
        why_apart=apart_sentence(apart),
        legend=GLANCE_LEGEND,
        chunks=[rows[at : at + ROWS_TOGETHER] for at in range(0, len(rows), ROWS_TOGETHER)],
        total=len(rows),
        most_diagnosed=MOST_DIAGNOSED,
        confidence=CONFIDENCE,
        cautions=CAUTIONS,
    )  # fmt: skip


def write_lot_page(lot: Lot, path: Path) -> None:
    """Write the page to `path`, whole or not at all.

    Raises:
        OSError: the folder cannot be written to; what stood at `path` is as it was.
    """
    write_whole(render_lot(lot, path.parent), path)


def own_page(run_file: Path) -> Path:
    """Where the report of a single run lands."""
    return run_file.with_suffix(".html")


def _link(item: LotItem, page_folder: Path) -> str:
    """To the item's own report, or to its run file where there is no report."""
    page = own_page(item.run.path)
    target = page if page.exists() else item.run.path
    relative = (
        target.name
        if target.parent == page_folder
        else Path(os.path.relpath(target, page_folder)).as_posix()
    )
    # a name with a colon would be taken for the scheme of an address
    return quote(relative if "/" in relative else f"./{relative}")


def _item_row(item: LotItem, page_folder: Path, with_diagnosis: bool) -> ItemRow:
    band = item.run.bands[item.deciding]
    u = band.expanded_uncertainty_db
    return ItemRow(
        name=item.name,
        link=_link(item, page_folder),
        standing=item.standing,
        band=item.deciding,
        at=_frequency(band.frequency_hz),
        loss=numbers.typeset(numbers.with_uncertainty(band.insertion_loss_db, u)),
        limit=numbers.limit(band.limit_db, u) if band.limit_db == band.limit_db else "–",
        margin=numbers.typeset(numbers.signed(band.margin_db, u)) if band.verdict else "–",
        runs=len(item.earlier) + 1,
        diagnosis=diagnosis(item) if with_diagnosis else "",
    )


@lru_cache(maxsize=4096)
def _frequency(frequency_hz: float) -> str:
    return numbers.frequency(frequency_hz)


def _group(found: GroupFindings, lot: Lot, key: str) -> GroupView:
    group = found.group
    standings = [standing_in(item.run, group.band) for item in group.items]
    counts = [(s, standings.count(s)) for s in Standing]
    try:
        drift = drift_figure(found, f"{key}-drift")
    except ValueError:
        drift = ""
    return GroupView(
        anchor=key,
        name=group_name(group, lot.groups),
        limit=limit_words(group),
        count=len(group.items),
        counts=", ".join(f"{s.sign} {n:,} {s.word}" for s, n in counts if n),
        glance=glance(found),
        distribution=distribution_figure(found, f"{key}-distribution"),
        chart="" if found.chart is None else chart_figure(found, f"{key}-chart"),
        drift=drift,
        sentences=group_sentences(found),
    )


def _apart(apart: Sequence[Apart], page_folder: Path) -> list[ApartRow]:
    return [
        ApartRow(
            name=one.item.name,
            link=_link(one.item, page_folder),
            standing=one.item.standing,
            where=numbers.typeset(_where(one)),
            diagnosis=diagnosis(one.item) or "no fault that is looked for",
        )
        for one in apart
    ]


def _where(one: Apart) -> str:
    """Bands and distances; of many the furthest."""
    if len(one.scores) <= MOST_LISTED:
        return ", ".join(f"{band} {score:+.1f}" for band, score in one.scores)
    band, score = max(one.scores, key=lambda entry: abs(entry[1]))
    return f"{counted(len(one.scores), 'band')}, most in {band}: {score:+.1f}"
