"""Runs in the terminal: a heading and one row a band, at any width, with or without colour."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Console
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text

from harness.evaluation.standing import (
    Point,
    Standing,
    standing_in_run,
    standing_of_run,
    worst_point,
)
from harness.report.words import numbers, signs
from harness.report.words.decisions import advice_of
from harness.report.words.diagnosis_words import finding_of_run
from harness.report.words.night_words import night_sentence
from harness.report.words.numbers import CONFIDENCE
from harness.report.words.rating_words import rating_notes
from harness.report.words.sentences import (
    SIMULATED,
    again_sentence,
    band_span,
    item_name,
    notes_of,
    summary,
)
from harness.report.words.stability_words import stability_lines
from harness.report.words.validity import marks_of
from harness.run_file.run import Run

STYLE = {
    Standing.PASS: "green",
    Standing.CONDITIONAL_PASS: "yellow",
    Standing.CONDITIONAL_FAIL: "yellow",
    Standing.FAIL: "bold red",
    Standing.NO_VERDICT: "bold magenta",
    Standing.AGAIN: "bold magenta",
    Standing.NO_LIMIT: "dim",
    Standing.UNFINISHED: "bold yellow",
}


@dataclass(frozen=True)
class _BandRow:
    name: str
    span: str
    frequency: str
    loss: str
    expected: str
    limit: str
    margin: str
    standing: Standing


def print_runs(runs: Sequence[Run], console: Console) -> None:
    """Write every run to `console`, no line wider than it.

    Signs that the console's encoding lacks are spelt out (`+/-` for `±`).
    """
    common = _notes_of_all(runs) if len(runs) > 1 else ()
    for place, run in enumerate(runs):
        if place:
            console.print()
        _print_run(run, console, common)
    if len(runs) > 1:
        console.print()
        console.print(as_text(summary(runs), console, "bold"))
    for note in common:
        console.print(as_text(f"note, every run: {note}", console))


def _notes_of_all(runs: Sequence[Run]) -> tuple[str, ...]:
    """Notes on all bands of every finished run, in the order of the first."""
    notes = [[note for bands, note in notes_of(run) if not bands] for run in runs if run.bands]
    if len(notes) < 2:
        return ()
    return tuple(note for note in notes[0] if all(note in of for of in notes[1:]))


def _print_run(run: Run, console: Console, told_once: Sequence[str]) -> None:
    standing = standing_of_run(run)
    heading = as_text(item_name(run), console, "bold")
    description = str(run.item.get("description") or "")
    if description:
        heading.append_text(as_text(f"  {description}", console))
    console.print(heading)
    verdict = as_text(f"{standing.sign} {standing.word}", console, STYLE[standing])
    verdict.append_text(as_text(f"  {run.procedure}, run {run.run_id}", console, "dim"))
    console.print(verdict)
    if run.simulated:
        console.print(as_text(SIMULATED, console, "italic"))
    if run.wanted_again:
        console.print(as_text(again_sentence(run), console, "bold yellow"))
    if standing is Standing.UNFINISHED:
        console.print(as_text("No result yet: the run is not finished.", console))
    else:
        _print_bands(run, console)
        for sentence in finding_of_run(run):
            console.print(as_text(sentence, console))
        if night := night_sentence(run):
            console.print(as_text(night, console))
        for line in stability_lines(run):
            console.print(as_text(line, console))
    for band, advice in advice_of(run):
        console.print(as_text(f"to decide {band}: {advice}", console))
    for band, mark in marks_of(run):
        console.print(as_text(f"marked, {band}: {mark}", console, "bold yellow"))
    for bands, note in (*notes_of(run), *rating_notes(run)):
        if not bands and note in told_once:
            continue
        concerned = f", {bands}" if bands else ""
        console.print(as_text(f"note{concerned}: {note}", console))


def _print_bands(run: Run, console: Console) -> None:
    rows = []
    for name, band in run.bands.items():
        point = worst_point(band)
        rows.append(_row(name, band_span(band), point, standing_in_run(run, name)))
    with_expected = any(row.expected for row in rows)
    tables = (_table(rows, with_expected, roomy, console) for roomy in (True, False))
    fitting = next((table for table in tables if fits(table, console)), None)
    if fitting is not None:
        console.print(fitting)
    else:
        for row in rows:
            _print_block(row, console)
    console.print(
        as_text(
            f"Loss in dB at each band's worst point, ± U with {CONFIDENCE} confidence.",
            console,
            "dim",
        )
    )


def _row(name: str, span: str, point: Point, standing: Standing) -> _BandRow:
    u = point.expanded_uncertainty_db
    has_limit = point.limit_db == point.limit_db
    has_expected = point.expected_db == point.expected_db
    return _BandRow(
        name=name,
        span=span,
        frequency=numbers.frequency(point.frequency_hz),
        loss=numbers.with_uncertainty(point.insertion_loss_db, u),
        expected=(
            numbers.with_uncertainty(point.expected_db, point.expected_expanded_uncertainty_db)
            if has_expected
            else ""
        ),
        limit=numbers.limit(point.limit_db, u) if has_limit else "",
        margin=numbers.signed(point.margin_db, u) if math.isfinite(point.margin_db) else "",
        standing=standing,
    )


def fits(table: Table, console: Console) -> bool:
    """Whether a table needs no more columns than the console has."""
    unbounded = console.options.update_width(10_000)
    return Measurement.get(console, unbounded, table).maximum <= console.width


def _table(rows: Sequence[_BandRow], with_expected: bool, roomy: bool, console: Console) -> Table:
    table = Table(
        box=None, padding=(0, 2 if roomy else 1, 0, 0), pad_edge=False, header_style="bold"
    )
    table.add_column(as_text("Band", console), overflow="fold")
    if roomy:
        table.add_column("Frequencies", no_wrap=True)
        table.add_column("Worst at", no_wrap=True, justify="right")
    table.add_column("Loss, dB", justify="right")
    if with_expected:
        table.add_column("Expected, dB", justify="right")
    table.add_column("Limit", justify="right")
    table.add_column("Margin", justify="right")
    table.add_column("Verdict")
    for row in rows:
        cells = [row.name, row.span, row.frequency] if roomy else [f"{row.name}\n{row.span}"]
        if not roomy and row.name == row.span:
            cells = [row.span]
        cells.append(row.loss)
        if with_expected:
            cells.append(row.expected or "–")
        cells += [row.limit or "–", row.margin or "–"]
        verdict = as_text(f"{row.standing.sign} {row.standing.word}", console, STYLE[row.standing])
        table.add_row(*[as_text(cell, console) for cell in cells], verdict)
    return table


def _print_block(row: _BandRow, console: Console) -> None:
    head = as_text(row.name, console, "bold")
    if row.span != row.name:
        head.append_text(as_text(f"  {row.span}", console))
    console.print(head)
    console.print(
        as_text(f"  {row.standing.sign} {row.standing.word}", console, STYLE[row.standing])
    )
    lines = [("loss", f"{row.loss} dB at {row.frequency}")]
    if row.expected:
        lines.append(("expected", f"{row.expected} dB"))
    if row.limit:
        margin = f", margin {row.margin} dB" if row.margin else ""
        lines.append(("limit", f"{row.limit} dB{margin}"))
    for label, text in lines:
        console.print(as_text(f"  {label:<9} {text}", console))


def as_text(content: str, console: Console, style: str = "") -> Text:
    """`content` as plain text that `console` can show; signs it lacks are spelt out."""
    # Text, not markup: an item named "[red]" is a name. The line end is ours alone.
    shown = "\n".join(numbers.printable(line) for line in content.split("\n"))
    shown = signs.shown(shown, console.encoding)
    return Text(shown, style=style, overflow="fold")
