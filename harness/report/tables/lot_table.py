"""A lot in the terminal: how it stands, its worst items, its bands, what is odd; at any width."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

import numpy as np
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from drivers.quantities import counted
from harness.evaluation.standing import Standing
from harness.report.tables.run_table import STYLE, as_text, fits
from harness.report.words import numbers
from harness.report.words.lot_words import (
    GLANCE_LEGEND,
    diagnosis,
    glance,
    group_name,
    no_outliers_sentence,
    oddities,
    runs_sentence,
    yield_sentence,
)
from harness.report.words.numbers import CONFIDENCE
from harness.report.words.sentences import SIMULATED
from harness.several_runs.lot import Lot
from harness.several_runs.lot_findings import GroupFindings, find_in_lot, stand_apart

MOST_WORST = 10
MOST_GROUPS = 12
MOST_TOLD = 8
FIRST_LINE = 4
"""Figures of a band on the first line where there is no room for a table."""
_WORST = f"Worst by margin, dB (U: {CONFIDENCE})"
_BY_BAND = "By band, dB at each item's deciding point; s, Ppk without what stands apart"


def print_lot(lot: Lot, console: Console) -> None:
    """Write the lot to `console`, no line wider than it."""

    def say(text: str, style: str = "") -> None:
        console.print(as_text(text, console, style))

    say(f"Lot {lot.folder}: {counted(len(lot.items), 'item')}", "bold")
    for standing, count in lot.counts.items():
        if count:
            say(f"{count:>7,}  {standing.sign} {standing.word}", STYLE[standing])
    if any(item.run.simulated for item in lot.items):
        say(SIMULATED, "italic")
    say(runs_sentence(lot))
    if yielded := yield_sentence(lot):
        say(yielded)
    for oddity in oddities(lot)[:MOST_TOLD]:
        say(f"note: {oddity}", "bold yellow")
    _print_worst(lot, console)
    found = find_in_lot(lot)
    _print_groups(found, lot, console)
    _print_apart(lot, found, console)


def _print_worst(lot: Lot, console: Console) -> None:
    shown = [item for item in lot.items if item.standing is not Standing.NO_LIMIT][:MOST_WORST]
    if not shown:
        return
    title = f"Worst by margin, dB (U: {CONFIDENCE})"
    table = _table(console, title)
    for heading in ("item", "verdict", "band"):
        table.add_column(heading, overflow="fold")
    for heading in ("loss ± U", "limit", "margin"):
        table.add_column(as_text(heading, console), justify="right", no_wrap=True)
    blocks: list[list[Text]] = []
    for item in shown:
        band = item.run.bands[item.deciding]
        u = band.expanded_uncertainty_db
        standing = item.standing
        loss = numbers.with_uncertainty(band.insertion_loss_db, u)
        limit = numbers.limit(band.limit_db, u) if np.isfinite(band.limit_db) else "-"
        margin = numbers.signed(band.margin_db, u) if band.verdict else "-"
        verdict = as_text(f"{standing.sign} {standing.word}", console, STYLE[standing])
        name, deciding = as_text(item.name, console), as_text(item.deciding, console)
        table.add_row(name, verdict, deciding, as_text(loss, console), limit, margin)
        figures = [("loss", loss), ("limit", limit), ("margin", margin)]
        blocks.append([Text("  ").join([name, verdict]), *_block(item.deciding, figures, console)])
    _print_table(title, table, blocks, console)


def _print_groups(found: list[GroupFindings], lot: Lot, console: Console) -> None:
    if not found:
        return
    title = "By band, dB at each item's deciding point; s, Ppk without what stands apart"
    table = _table(console, title)
    blocks = []
    rows = [(group_name(one.group, lot.groups), glance(one)) for one in found[:MOST_GROUPS]]
    table.add_column("band", overflow="fold")
    for heading, _ in rows[0][1]:
        table.add_column(heading.replace("Ppk", "Ppk, 95 %"), justify="right", no_wrap=True)
    for name, figures in rows:
        # two points are narrower than a word
        cells = [text.replace(" to ", "..") for _, text in figures]
        table.add_row(*[as_text(text, console) for text in (name, *cells)])
        blocks.append(_block(name, figures, console))
    _print_table(title, table, blocks, console)
    console.print(as_text(GLANCE_LEGEND, console, "dim"))
    if len(found) > MOST_GROUPS:
        console.print(f"{counted(len(found) - MOST_GROUPS, 'more band')}: see the page.")
    drifting = [
        f"{one.group.band}: {one.summary.drift.sentence}"
        for one in found
        if one.summary.drift.process is not None and one.summary.drift.process.is_significant
    ]
    for sentence in drifting[:MOST_TOLD]:
        console.print(as_text(sentence, console))


def _print_apart(lot: Lot, found: list[GroupFindings], console: Console) -> None:
    """Items that stand apart, each once, with what the shape of their loss says."""
    apart = stand_apart(lot, found)
    if why := no_outliers_sentence(found):
        console.print(as_text(why, console))
    scored = any(one.scores for one in apart)
    if apart:
        what = "Standing apart, or with" if scored else "With"
        text = f"{what} the shape of a fault: {len(apart):,}"
        console.print(as_text(text, console, "bold"))
    if scored:
        text = "(sd: standard deviations of the others)"
        console.print(as_text(text, console, "dim"))
    for one in apart[:MOST_WORST]:
        told = diagnosis(one.item) or "no fault that is looked for"
        far = f" ({one.furthest:.0f} sd)" if one.scores else ""
        line = as_text(f"{one.item.name}{far}: {told}", console)
        console.print(Padding(line, (0, 0, 0, 2), expand=False))
    if len(apart) > MOST_WORST:
        console.print(as_text(f"  and {len(apart) - MOST_WORST:,} more: see the page", console))


def _print_table(
    title: str, table: Table, blocks: Sequence[Sequence[Text]], console: Console
) -> None:
    """The table, or where the console is too narrow for it the same in a few lines for each row."""
    if fits(table, console):
        console.print(table)
        return
    console.print(as_text(title, console, "bold"))
    for block in blocks:
        for line in block:
            console.print(line)


def _block(name: str, figures: Sequence[tuple[str, str]], console: Console) -> list[Text]:
    """A row in lines: what it is of, then each figure with its heading."""
    told = ", ".join(f"{heading} {figure}" for heading, figure in figures)
    lines = wrap(told, max(console.width - 4, 20), break_long_words=False)
    return [as_text(f"  {name}", console), *(as_text(f"    {line}", console) for line in lines)]


def _table(console: Console, title: str) -> Table:
    return Table(title=as_text(title, console), title_justify="left", box=None, pad_edge=False,
                 padding=(0, 1, 0, 0), header_style="dim")  # fmt: skip
