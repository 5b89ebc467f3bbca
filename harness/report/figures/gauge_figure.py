"""A gauge study as a drawing: items against the limit, and who measured them how."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from harness.analysis.lots.gauge_judgement import GAUGE_SIGMAS
from harness.report.figures.svg import EXPECTED, INK, LIMIT, LOSS, MUTED, PAPER, rendered
from harness.report.words import numbers
from harness.report.words.gauge_words import band_sentences
from harness.several_runs.gauge_results import AssessedBand, AssessedStudy

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_HEIGHT = 400
_MARKS = (("o", LOSS), ("D", EXPECTED), ("^", INK), ("s", LIMIT), ("v", LOSS), ("P", EXPECTED))
"""Told apart by shape, and by colour where there is any."""
_MOST_NAMES = 12


def gauge_figure(assessed: AssessedStudy, band: AssessedBand, key: str) -> str:
    """Above: the mean of each item with three gauge sigmas, and the limit. Below: every single
    measurement less its item's mean, by operator."""
    values = band.runs.loss_db[..., band.runs.deciding_index]
    means = values.mean(axis=(1, 2))
    residual = values - means[:, None, None]
    factor, unit = numbers.decibel_scale(float(np.abs(residual).max()))
    operators = assessed.runs.operators
    places = np.arange(1.0, len(means) + 1)
    where = f"{numbers.printable(band.runs.name)}, {numbers.frequency(band.frequency_hz)}"
    head = f"{where} (simulated readings)" if assessed.runs.simulated else where
    limit = None if band.judgement is None else band.judgement.limit

    def paint(figure: Figure) -> None:
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(1.0, 1.1))
        upper.set_title(f"{head}\nLoss of each item, dB: mean and three gauge sigmas", color=MUTED)
        upper.errorbar(
            places, means, yerr=GAUGE_SIGMAS * band.study.gauge.sd, color=LOSS, linestyle="none",
            marker="o", markersize=5, capsize=4, linewidth=1.4,
        )  # fmt: skip
        if limit is not None:
            upper.axhline(limit, color=LIMIT, linewidth=1.8, dashes=(5, 1.7, 1.1, 1.7))
            upper.annotate("limit", (places[-1], limit), xytext=(0, 5), color=INK, ha="right",
                           textcoords="offset points", fontsize=12)  # fmt: skip
        lower.set_title(f"Each measurement less its item's mean, {unit}", color=MUTED)
        lower.axhline(0.0, color=MUTED, linewidth=0.8, zorder=1)
        for place, operator in enumerate(operators):
            marker, colour = _MARKS[place % len(_MARKS)]
            offset = 0.5 * (place - 0.5 * (len(operators) - 1)) / max(len(operators), 2)
            x = np.repeat(places + offset, values.shape[2])
            lower.plot(
                x, residual[:, place, :].ravel() * factor, linestyle="none", marker=marker,
                markersize=5, markerfacecolor=PAPER, markeredgecolor=colour, markeredgewidth=1.3,
                label=numbers.printable(operator),
            )  # fmt: skip
        for axes in (upper, lower):
            axes.grid(axis="y")
            axes.set_axisbelow(True)
            axes.margins(x=0.05, y=0.15)
            axes.locator_params(axis="y", nbins=5)
        if len(places) <= _MOST_NAMES:
            names = [numbers.printable(name) for name in assessed.runs.items]
            long = sum(len(name) for name in names) > 40
            lower.set_xticks(places, names, rotation=90 if long else 0)
        else:
            lower.set_xlabel("Item")
        handles, labels = lower.get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower left", ncols=min(len(operators), 4))

    said = " ".join(band_sentences(band))
    return rendered(paint, key=key, label=f"Gauge study of {head}. {said}", height=_HEIGHT)
