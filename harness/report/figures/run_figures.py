"""The drawings of a run, each an SVG element of its own for the inside of a page.

All take a `key` that is unique in the page. They are drawn for a narrow column, so that
their text stays readable on a telephone; a wide page sets them side by side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.evaluation.standing import Standing, standing_of_band, worst_index, worst_point
from harness.report.figures.svg import (
    EXPECTED,
    LIMIT,
    LOSS,
    MUTED,
    PAPER,
    rendered,
)
from harness.report.words import numbers
from harness.report.words.sentences import band_span
from harness.report.words.time_axis import time_scale
from harness.run_file.run import BandResult

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_LOSS_HEIGHT = 285
_STRIP_HEIGHT = 74
_STRIPS_FRAME = 84
_VEIL = 0.17
_LEGEND = ("loss", "expected", "limit", "worst")


def loss_figure(name: str, band: BandResult, key: str, standing: Standing | None = None) -> str:
    """Loss with its U, expected loss with its U, and the limit, over one band.

    `standing` is that of the band in its run, where that is another than its figures alone give.
    """
    point = worst_point(band)
    divisor, unit = numbers.frequency_scale(float(band.frequency_hz[-1]))
    x = band.frequency_hz / divisor

    def paint(figure: Figure) -> None:
        axes = figure.add_subplot()
        axes.set_title("Insertion loss, dB", color=MUTED)
        axes.set_xlabel(f"Frequency, {unit}")
        axes.grid(axis="y")
        axes.set_axisbelow(True)
        if band.expected_db is not None and band.expected_expanded_uncertainty_db is not None:
            _veiled_line(
                axes, x, band.expected_db, band.expected_expanded_uncertainty_db,
                EXPECTED, "expected ± U", (4, 2.5),
            )  # fmt: skip
        _veiled_line(
            axes, x, band.insertion_loss_db, band.expanded_uncertainty_db, LOSS, "loss ± U", None
        )
        if band.limit_db is not None:
            _line(axes, x, band.limit_db, LIMIT, "limit", (9, 3, 2, 3))
        axes.plot(
            [point.frequency_hz / divisor], [point.insertion_loss_db], linestyle="none",
            marker="o", markersize=7, markerfacecolor=PAPER, markeredgecolor=LOSS,
            markeredgewidth=2, zorder=6,
            label="worst point",
        )  # fmt: skip
        axes.locator_params(axis="x", nbins=5)
        axes.locator_params(axis="y", nbins=6)
        axes.margins(x=0.02, y=0.1)
        handles, labels = axes.get_legend_handles_labels()
        order = np.argsort([_LEGEND.index(label.split()[0]) for label in labels])
        figure.legend(
            [handles[place] for place in order], [labels[place] for place in order],
            loc="outside lower left", ncols=4, handletextpad=0.5,
        )  # fmt: skip

    said = [
        f"Insertion loss over {name}, {band_span(band)}.",
        f"At {numbers.frequency(point.frequency_hz)} it is "
        f"{numbers.with_uncertainty(point.insertion_loss_db, point.expanded_uncertainty_db)} dB.",
    ]
    if band.limit_db is not None:
        stated = numbers.limit(point.limit_db, point.expanded_uncertainty_db)
        said.append(f"Limit there {stated} dB: {(standing or standing_of_band(band)).word}.")
    return rendered(paint, key=key, label=" ".join(said), height=_LOSS_HEIGHT)


def insertions_figure(bands: Mapping[str, BandResult], key: str) -> str:
    """Each insertion's mean less the mean of all, band mean and at the worst point.

    Raises:
        ValueError: no band has two insertions, so that there is no scatter.
    """
    shown = {name: band for name, band in bands.items() if len(band.insertion_means_db) > 1}
    if not shown:
        raise ValueError("a scatter of insertions needs at least two of them")
    changes = {
        name: band.insertion_means_db - band.insertion_means_db.mean(axis=0)
        for name, band in shown.items()
    }
    places = {name: np.arange(1.0, len(change) + 1) for name, change in changes.items()}
    return _strips(
        shown, changes, places, key, "Insertion", "Difference from the mean of all insertions"
    )


def zero_figure(bands: Mapping[str, BandResult], started_unix: float, key: str) -> str:
    """Apparent loss of the through at each making: band mean and at its worst point.

    Raises:
        ValueError: no band has a later check of the zero.
    """
    shown = {name: band for name, band in bands.items() if len(band.zero_change_db) > 1}
    if not shown:
        raise ValueError("the drift of the zero needs at least one later check")
    changes = {name: band.zero_change_db for name, band in shown.items()}
    elapsed = {name: band.zero_time - started_unix for name, band in shown.items()}
    longest = max(float(times.max()) for times in elapsed.values())
    divisor, unit = time_scale(longest)
    places = {name: times / divisor for name, times in elapsed.items()}
    return _strips(
        shown, changes, places, key, f"Since the run's start, {unit}", "Change of the zero",
        whole=False,
    )  # fmt: skip


def _strips(
    bands: Mapping[str, BandResult],
    changes: Mapping[str, FloatArray],
    places: Mapping[str, FloatArray],
    key: str,
    across: str,
    what: str,
    whole: bool = True,
) -> str:
    means = {name: change.mean(axis=1) for name, change in changes.items()}
    at_point = {name: changes[name][:, worst_index(band)] for name, band in bands.items()}
    everything = np.concatenate([*means.values(), *at_point.values()])
    everything = np.append(everything[np.isfinite(everything)], 0.0)
    low, high = float(everything.min()), float(everything.max())
    largest = max(high, -low)
    factor, unit = numbers.decibel_scale(largest)

    def paint(figure: Figure) -> None:
        grid = figure.subplots(len(bands), 1, sharex=True, sharey=True, squeeze=False)
        for axes, name in zip(grid[:, 0], bands, strict=True):
            axes.set_title(numbers.printable(name))
            axes.axhline(0.0, color=MUTED, linewidth=0.8, zorder=1)
            axes.grid(axis="y")
            axes.set_axisbelow(True)
            axes.plot(
                places[name], at_point[name] * factor, linestyle="none", marker="D", markersize=6,
                markerfacecolor=PAPER, markeredgecolor=EXPECTED, markeredgewidth=1.6,
                label="worst point of the band", zorder=4,
            )  # fmt: skip
            axes.plot(
                places[name], means[name] * factor, color=LOSS, linewidth=1.0, marker="o",
                markersize=5.5, label="mean of the band", zorder=5,
            )  # fmt: skip
            axes.margins(x=0.06)
        step = _round_step(largest * factor)
        room = 0.3 * max(high - low, 1e-6)
        bottom, top = (low - room) * factor, (high + room) * factor
        grid[0, 0].set_yticks([tick for tick in (-step, 0.0, step) if bottom <= tick <= top])
        grid[0, 0].set_ylim(bottom, top)
        first = numbers.printable(next(iter(bands)))
        grid[0, 0].set_title(f"{what}, {unit}\n{first}")
        grid[-1, 0].locator_params(axis="x", nbins=8, integer=whole)
        grid[-1, 0].set_xlabel(across)
        handles, labels = grid[0, 0].get_legend_handles_labels()
        figure.legend(handles[::-1], labels[::-1], loc="outside lower left", ncols=2)

    def most(change: FloatArray) -> str:
        return f"{numbers.rounded(float(np.abs(change).max() * factor), -2)} {unit}"

    said = "; ".join(
        f"{name} up to {most(means[name])} in the band's mean and "
        f"{most(at_point[name])} at its worst point"
        for name in bands
    )
    height = _STRIP_HEIGHT * len(bands) + _STRIPS_FRAME
    return rendered(paint, key=key, label=f"{what} by band: {said}.", height=height)


def _round_step(largest: float) -> float:
    """The greatest 1, 2 or 5 times a power of ten that does not exceed `largest`."""
    if not (np.isfinite(largest) and largest > 0.0):
        return 1.0
    power = 10.0 ** np.floor(np.log10(largest))
    return float(max(digit * power for digit in (1, 2, 5) if digit * power <= largest))


def _veiled_line(
    axes: Any,
    x: FloatArray,
    y: FloatArray,
    half_width: FloatArray,
    colour: str,
    label: str,
    dashes: Sequence[float] | None,
) -> None:
    if len(x) == 1:
        axes.errorbar(x, y, yerr=half_width, color=colour, capsize=6, marker="_", label=label)
        return
    axes.fill_between(x, y - half_width, y + half_width, color=colour, alpha=_VEIL, linewidth=0)
    if dashes:
        # Without colour the two veils would be one: this one has an edge.
        for edge in (y - half_width, y + half_width):
            axes.plot(x, edge, color=colour, linewidth=0.9, linestyle=(0, (1, 2.5)))
    _line(axes, x, y, colour, label, dashes)


def _line(
    axes: Any,
    x: FloatArray,
    y: FloatArray,
    colour: str,
    label: str,
    dashes: Sequence[float] | None,
) -> None:
    if len(x) == 1:
        axes.axhline(float(y[0]), color=colour, label=label, linewidth=1.8)
        return
    (line,) = axes.plot(x, y, color=colour, label=label)
    if dashes:
        line.set_linewidth(1.8)
        line.set_dashes(tuple(value / 1.8 for value in dashes))
