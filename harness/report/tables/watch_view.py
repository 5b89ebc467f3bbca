"""A run that goes on, for the terminal: a screen, a line, or an object for machines."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from rich.console import Console, Group
from rich.table import Table
from rich.text import Text

from drivers.quantities import counted
from harness.report.tables.run_table import as_text
from harness.report.words import numbers
from harness.report.words.event_words import event_text

if TYPE_CHECKING:
    from harness.evaluation.watch_look import BandLook, Look

FEWEST_FOR_LAST = 72
"""Columns from which on the last sweeps have one of their own."""
LINES_BESIDE_BANDS = 11
BAR = 30


def watch_screen(look: Look, console: Console) -> Group:
    """Everything, within the width and, where the bands allow, the height of `console`."""
    lines = [_heading(look), *_progress(look, console.width)]
    parts: list[Any] = [_one_line(line, console, "bold" * (not place))
                        for place, line in enumerate(lines)]  # fmt: skip
    most = max(console.height - LINES_BESIDE_BANDS, 3)
    parts.append(_band_table(look.bands[:most], console))
    if len(look.bands) > most:
        more = counted(len(look.bands) - most, "more band")
        parts.append(_one_line(f"... and {more}", console))
    parts += [_one_line(line, console) for line in _state(look)]
    return Group(*parts)


def watch_line(look: Look) -> str:
    """The same in one line."""
    parts = [f"{look.item} {look.procedure}", _done(look)]
    worst = [band for band in look.bands if band.mean_db is not None]
    parts += [f"{band.name} {_loss(band)} dB {band.standing}".rstrip() for band in worst]
    if look.zero_age_s is not None:
        parts.append(f"zero {numbers.duration(look.zero_age_s)} old")
    if look.temperature_c is not None:
        parts.append(f"{look.temperature_c:.2f} °C")
    if look.faults:
        parts.append(f"{counted(look.faults, 'fault')} recovered")
    if look.left_s is not None:
        parts.append(f"{numbers.duration(look.left_s)} left")
    parts.append(_alive(look))
    return numbers.printable("; ".join(parts))


def watch_as_dict(look: Look) -> dict[str, Any]:
    """SI numbers or dB; what is not known is null."""
    return {"schema": "tareline-watch/1", **_finite(asdict(look))}


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(entry) for entry in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _heading(look: Look) -> str:
    simulated = " (simulated)" if look.simulated else ""
    return f"{look.item}  {look.procedure}, run {look.run_id}{simulated}"


def _progress(look: Look, width: int) -> list[str]:
    share = None
    if look.ticks is not None and look.planned_ticks:
        share = look.ticks / look.planned_ticks
    elif look.planned:
        share = look.sweeps / look.planned
    done = _done(look)
    if share is not None:
        bar = min(BAR, max(width - 60, 10))
        filled = round(min(share, 1.0) * bar)
        done = f"[{'#' * filled}{'.' * (bar - filled)}] {done}"
    times = f"running for {numbers.duration(look.run_time_s)}"
    if look.left_s is not None:
        times += f", {numbers.duration(look.left_s)} left"
    return [done, times + (" (the bench's own time)" if look.simulated else "")]


def _done(look: Look) -> str:
    kept = f"{counted(look.sweeps, 'sweep')} kept"
    if look.planned is not None:
        kept = f"{look.sweeps:,} of {counted(look.planned, 'sweep')} kept"
    if look.ticks is not None:
        kept = f"tick {look.ticks} of {look.planned_ticks}, {kept}"
    return kept


def _band_table(bands: tuple[BandLook, ...], console: Console) -> Table:
    roomy = console.width >= FEWEST_FOR_LAST
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    table.add_column("Band", no_wrap=True)
    table.add_column("Mean", justify="right", no_wrap=True)
    table.add_column(as_text("Worst ± U, dB", console), justify="right", no_wrap=True)
    table.add_column("Limit", justify="right", no_wrap=True)
    table.add_column("So far", no_wrap=True)
    if roomy:
        table.add_column("Last sweeps, dB", no_wrap=True)
    for band in bands:
        u = band.expanded_uncertainty_db or math.nan
        limit = "" if band.limit_db is None else numbers.limit(band.limit_db, u)
        mean = "" if band.mean_db is None else numbers.companion(band.mean_db, u)
        cells = [
            band.name,
            mean,
            _loss(band),
            limit,
            band.standing or counted(band.sweeps, "sweep"),
        ]
        if roomy:
            cells.append(" ".join(f"{value:.3f}" for value in band.last_db[-3:]))
        table.add_row(*(as_text(cell, console) for cell in cells))
    return table


def _loss(band: BandLook) -> str:
    if band.worst_db is None or band.expanded_uncertainty_db is None:
        return ""
    return numbers.with_uncertainty(band.worst_db, band.expanded_uncertainty_db)


def _state(look: Look) -> list[str]:
    lines = []
    changes = [band.zero_change_db for band in look.bands if band.zero_change_db is not None]
    if look.zero_age_s is not None:
        line = f"zero: {numbers.duration(look.zero_age_s)} old"
        if changes:
            most = max(abs(change) for change in changes)
            line += f", moved by at most {most * 1e3:.1f} mdB since the check before"
        lines.append(line)
    if look.temperature_c is not None:
        lines.append(f"temperature: {look.temperature_c:.2f} °C")
    if look.faults:
        lines.append(f"faults recovered: {look.faults}, the last: {event_text(look.last_fault)}")
    if look.last_event and look.last_event != look.last_fault:
        lines.append(f"last event: {event_text(look.last_event)}")
    lines.append(_alive(look))
    if look.evaluated_s is not None and look.evaluated_s > SHOWN_WHEN_OLDER_S:
        lines.append(f"loss and U as of {numbers.duration(look.evaluated_s)} ago")
    return lines


SHOWN_WHEN_OLDER_S = 5.0


def _alive(look: Look) -> str:
    if look.finished:
        return "finished"
    if look.ended:
        return f"ended, {look.ended}"
    written = f"last written {numbers.duration(look.quiet_s)} ago"
    return f"{written}: longer than it should be, is the run still going on?" * look.is_quiet or (
        written
    )


def _one_line(text: str, console: Console, style: str = "") -> Text:
    line = as_text(text, console, style)
    line.no_wrap, line.overflow = True, "ellipsis"
    return line
