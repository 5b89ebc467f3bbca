"""A gauge study in the terminal: parts of the scatter of each band, and what they allow."""

from __future__ import annotations

import math

from rich.console import Console
from rich.table import Table

from drivers.quantities import counted
from harness.analysis.lots.figure_of_merit import Index
from harness.analysis.lots.gauge_judgement import GaugeStanding
from harness.analysis.lots.gauge_variances import Component
from harness.report.tables.run_table import as_text
from harness.report.words import numbers
from harness.report.words.gauge_words import band_sentences, band_verdict, variance_words
from harness.report.words.sentences import SIMULATED
from harness.several_runs.gauge_results import AssessedBand, AssessedStudy

_SIGN = {
    GaugeStanding.CAN: ("✓", "green"),
    GaugeStanding.WITH_GUARD_BAND: ("(✓)", "yellow"),
    GaugeStanding.CANNOT: ("✗", "bold red"),
    GaugeStanding.UNKNOWN: ("?", "bold magenta"),
}


def print_study(assessed: AssessedStudy, console: Console) -> None:
    """Write every band to `console`, no line wider than it; the verdicts once more at the end."""
    runs = assessed.runs
    console.print(as_text("Gauge study", console, "bold"))
    console.print(
        as_text(
            f"{counted(len(runs.items), 'item')} × {counted(len(runs.operators), 'operator')} × "
            f"{counted(len(runs.repeats), 'repeat')}; operators: {', '.join(runs.operators)}",
            console,
        )
    )
    if runs.simulated:
        console.print(as_text(SIMULATED, console, "italic"))
    for note in runs.notes:
        console.print(as_text(f"note: {note}", console))
    for band in assessed.bands:
        console.print()
        _print_band(band, console)
    console.print()
    console.print(as_text("Can this bench judge its limits?", console, "bold"))
    for band in assessed.bands:
        sign, style = ("–", "") if band.judgement is None else _SIGN[band.judgement.standing]
        console.print(as_text(f"{sign} {band_verdict(band)}", console, style))


def _print_band(band: AssessedBand, console: Console) -> None:
    study = band.study
    heading = as_text(band.runs.name, console, "bold")
    heading.append_text(as_text(f"  at {numbers.frequency(band.frequency_hz)}", console))
    console.print(heading)
    table = Table(box=None, padding=(0, 3, 0, 0), pad_edge=False, header_style="bold")
    table.add_column("part")
    for name in ("sigma, dB", "limits, dB", "of variance"):
        table.add_column(name, justify="right")
    for part, indent in (
        (study.repeatability, ""), (study.reproducibility, ""), (study.operator, "  "),
        (study.interaction, "  "), (study.gauge, ""), (study.item, ""), (study.total, ""),
    ):  # fmt: skip
        cells = _row(part, indent)
        style = "bold" if part is study.gauge else ""
        table.add_row(*(as_text(cell, console, style) for cell in cells))
    console.print(table)
    share = _range(study.study_share, 100.0, " %")
    count = study.categories
    groups = "without end" if math.isinf(count) else f"{count:.0f}"
    ratio = study.category_ratio
    of = "" if math.isinf(count) else f" (ratio {_range(ratio, 1.0, '')})"
    console.print(as_text(f"gauge of total sigma: {share}", console))
    console.print(as_text(f"distinct categories: {groups}{of}", console))
    for line in variance_words(study):
        console.print(as_text(line, console))
    mean = band.band_mean
    console.print(
        as_text(
            f"mean over the band: gauge {_sd(mean.gauge.sd)} dB, items {_sd(mean.item.sd)} dB",
            console,
        )
    )
    for sentence in band_sentences(band):
        console.print(as_text(sentence, console))
    console.print(
        as_text(
            f"Limits with {100 * study.confidence:g} % confidence, as if items and operators were "
            "drawn at random from many.",
            console,
            "dim",
        )
    )


def _row(part: Component, indent: str) -> list[str]:
    limits = f"{_sd(part.sd_low)} to {_sd(part.sd_high)}" if part.sd_high > 0.0 else "–"
    share = "–" if math.isnan(part.share) else f"{100 * part.share:.1f} %"
    return [indent + part.name, _sd(part.sd), limits, share]


def _sd(value: float) -> str:
    # below a microdecibel nothing is meant
    return "0" if value < 1e-6 else numbers.two_digits(value)


def _range(index: Index, factor: float, unit: str) -> str:
    value, low, high = (f"{factor * v:.3g}" for v in (index.value, index.low, index.high))
    return f"{value}{unit} ({low} to {high}{unit})"
