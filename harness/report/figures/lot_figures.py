"""The drawings of a lot; however many items there are, they stay small and quick."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from drivers.quantities import counted
from harness.analysis.arrays import FloatArray
from harness.analysis.lots.control_charts import ControlChart
from harness.analysis.lots.lot_band import histogram
from harness.analysis.lots.shared_zeros import MEANS_OF_ZEROS
from harness.analysis.units import SECONDS_PER_HOUR
from harness.report.figures.svg import EXPECTED, HAIRLINE, INK, LIMIT, LOSS, MUTED, PAPER, rendered
from harness.report.words import numbers
from harness.several_runs.lot_findings import GroupFindings

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_HEIGHT = 285
_STRIP = 120
_FRAME = 84
MOST_POINTS = 400
"""Beyond these a chart shows the span of neighbours instead of single points."""
MOST_MARKS = 200
"""Of points that break a rule; the furthest from the centre are drawn."""
MOST_STEPS = 60
"""Of the drift figure."""


def distribution_figure(found: GroupFindings, key: str) -> str:
    """How the losses lie, with limit, guard band and what was expected.

    Items that stand apart are counted at the edge, so that the others are more than one bar.
    """
    figures, bins = found.group.figures, histogram(found.rest_db)
    apart_db, rest = figures.loss_db[found.left_out], found.rest_db[np.isfinite(found.rest_db)]
    middle = float(np.median(rest)) if len(rest) else 0.0
    above, below = apart_db[apart_db > middle], apart_db[apart_db <= middle]
    expected = figures.expected_db[np.isfinite(figures.expected_db)]
    guard = figures.guard_band_db[np.isfinite(figures.guard_band_db)]
    limit = found.limit_db

    def paint(figure: Figure) -> None:
        axes = figure.add_subplot()
        axes.set_title("Items", color=MUTED)
        axes.set_xlabel("Insertion loss at the deciding point, dB")
        axes.grid(axis="y")
        axes.set_axisbelow(True)
        axes.bar(
            bins.edges[:-1], bins.counts, width=np.diff(bins.edges), align="edge", color=LOSS,
            alpha=0.75, linewidth=0, label="items",
        )  # fmt: skip
        if limit is not None:
            axes.axvline(limit, color=LIMIT, linewidth=1.8, dashes=(5, 1.7, 1.1, 1.7),
                         label="limit")  # fmt: skip
            if len(guard) and np.median(guard) > 0.0:
                half = float(np.median(guard))
                axes.axvspan(limit - half, limit + half, color=LIMIT, alpha=0.14, linewidth=0,
                             label="guard band")  # fmt: skip
        if len(expected):
            axes.axvline(float(np.median(expected)), color=EXPECTED, dashes=(2.2, 1.4),
                         label="expected")  # fmt: skip
        edges = (
            (above, 0.99, "right", "up to {:.2f} dB ▸", np.max),
            (below, 0.01, "left", "◂ down to {:.2f} dB", np.min),
        )
        for apart, at, side, words, furthest in edges:
            if len(apart):
                axes.text(
                    at, 0.97, f"{len(apart):,} apart,\n{words.format(furthest(apart))}",
                    transform=axes.transAxes, ha=side, va="top", color=LIMIT,
                )  # fmt: skip
        axes.locator_params(axis="x", nbins=6)
        axes.locator_params(axis="y", nbins=5, integer=True)
        axes.margins(x=0.03, y=0.25 if len(apart_db) else 0.05)
        figure.legend(loc="outside lower left", ncols=4, handletextpad=0.5)

    losses = figures.loss_db[np.isfinite(figures.loss_db)]
    said = f"{counted(found.summary.count, 'item')} of {found.group.band}"
    if len(losses):
        said += (
            f": losses from {losses.min():.3f} dB to {losses.max():.3f} dB, "
            f"median {np.median(losses):.3f} dB"
        )
    if limit is not None:
        said += f"; limit {limit:g} dB"
    return rendered(paint, key=key, label=f"{said}.", height=_HEIGHT)


def chart_figure(found: GroupFindings, key: str) -> str:
    """Control charts in the order of time: losses, steps between neighbours, and where items have
    several insertions the range within each. Items that stand apart are marked at the edge.

    Raises:
        ValueError: there is no chart of this group.
    """
    if found.chart is None:
        raise ValueError("no two neighbours have a loss that is known")
    apart = found.left_out
    shared = found.chart.kind == MEANS_OF_ZEROS
    charts = [("Mean of the items of each zero, dB" if shared else "Loss of each item, dB",
               found.chart.location),
              ("Scatter of the items of each zero, dB" if shared
               else "Step from the item before, dB", found.chart.spread)]  # fmt: skip
    if found.insertions is not None:
        charts.append(("Range of the insertions of each item, dB", found.insertions.spread))

    def paint(figure: Figure) -> None:
        grid = figure.subplots(len(charts), 1, sharex=True, squeeze=False)
        for axes, (title, chart) in zip(grid[:, 0], charts, strict=True):
            axes.set_title(title)
            axes.grid(axis="y")
            axes.set_axisbelow(True)
            _draw_chart(axes, chart)
            if chart is charts[0][1] and len(apart):
                # at the edge: at their place the others would be a line
                axes.plot(
                    apart + 1.0, np.full(len(apart), 0.96), transform=axes.get_xaxis_transform(),
                    linestyle="none", marker="^" if len(apart) <= MOST_MARKS // 4 else "|",
                    markersize=6, color=LIMIT, zorder=7,
                    label="stands apart, off the scale",
                )  # fmt: skip
            axes.locator_params(axis="y", nbins=4)
            axes.margins(x=0.02)
        grid[-1, 0].locator_params(axis="x", nbins=7, integer=True)
        grid[-1, 0].set_xlabel("Item, in the order of time")
        handles, labels = grid[0, 0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower left", ncols=2)

    marked = int(found.chart.location.signalled.sum())
    said = (
        f"Control charts of {found.group.band}: {counted(found.summary.count, 'item')} in the "
        f"order of time, centre {found.chart.location.centre[0]:.3f} dB, "
        f"{counted(marked, 'point')} that complete a pattern."
    )
    return rendered(paint, key=key, label=said, height=_STRIP * len(charts) + _FRAME)


def drift_figure(found: GroupFindings, key: str) -> str:
    """Loss and zero over time, each less its median, without items that stand apart.

    Raises:
        ValueError: the zero or the times are not known.
    """
    figures = found.group.figures
    known = np.isfinite(figures.time) & np.isfinite(figures.zero_change_db)
    known &= np.isfinite(figures.loss_db)
    known[found.left_out] = False
    if np.count_nonzero(known) < 2:
        raise ValueError("the zero is not known of two items")
    hours = (figures.time[known] - figures.time[known].min()) / SECONDS_PER_HOUR
    loss = figures.loss_db[known] - np.median(figures.loss_db[known])
    zero = figures.zero_change_db[known] - np.median(figures.zero_change_db[known])
    at, steps = _in_steps(hours, np.column_stack([loss, zero]))
    factor, unit = numbers.decibel_scale(float(np.abs(steps).max()))

    def paint(figure: Figure) -> None:
        axes = figure.add_subplot()
        axes.set_title(f"Change against the median, {unit}", color=MUTED)
        axes.set_xlabel("Since the first item, h")
        axes.axhline(0.0, color=MUTED, linewidth=0.8, zorder=1)
        axes.grid(axis="y")
        axes.set_axisbelow(True)
        axes.plot(at, steps[:, 0] * factor, color=LOSS, marker="o", markersize=4.5,
                  linewidth=1.0, label="loss of the items")  # fmt: skip
        axes.plot(at, steps[:, 1] * factor, color=EXPECTED, marker="D", markersize=4.5,
                  markerfacecolor=PAPER, linewidth=1.0, label="zero")  # fmt: skip
        axes.margins(x=0.03)
        axes.locator_params(axis="x", nbins=6)
        axes.locator_params(axis="y", nbins=5)
        figure.legend(loc="outside lower left", ncols=2)

    label = f"Loss of the items and zero over time. {found.summary.drift.sentence}"
    return rendered(paint, key=key, label=label, height=_HEIGHT - 40)


def _draw_chart(axes: Any, chart: ControlChart) -> None:
    place = np.arange(1, len(chart.values) + 1)
    known = np.isfinite(chart.values)
    if np.count_nonzero(known) <= MOST_POINTS:
        axes.plot(place[known], chart.values[known], color=LOSS, marker="o", markersize=3.5,
                  linewidth=0.8, label="items")  # fmt: skip
    else:
        at, low, high = _spans(place[known], chart.values[known])
        axes.fill_between(at, low, high, color=LOSS, alpha=0.45, linewidth=0,
                          label="span of neighbouring items")  # fmt: skip
    at = _few(place)
    axes.plot(at, _at(chart.centre, at), color=INK, linewidth=0.9)
    for line, label in ((chart.lower, None), (chart.upper, "3 sigma")):
        if np.any(np.isfinite(line)):
            axes.plot(at, _at(line, at), color=MUTED, linewidth=1.0, dashes=(5, 3), label=label)
    marked = np.flatnonzero(chart.signalled & known)
    if len(marked) > MOST_MARKS:
        reach = np.abs(chart.values[marked] - chart.centre[marked])
        marked = np.sort(marked[np.argsort(-reach, kind="stable")[:MOST_MARKS]])
    if len(marked):
        axes.plot(
            place[marked], chart.values[marked], linestyle="none", marker="s", markersize=5.5,
            markerfacecolor="none", markeredgecolor=LIMIT, markeredgewidth=1.4,
            label="completes a pattern", zorder=6,
        )  # fmt: skip
    axes.spines["bottom"].set_color(HAIRLINE)


def _few(place: np.ndarray) -> np.ndarray:
    """Places at which lines that hardly change are drawn."""
    if len(place) <= MOST_POINTS:
        return place
    return np.unique(np.linspace(1, len(place), MOST_POINTS).astype(np.int64))


def _at(line: FloatArray, place: np.ndarray) -> FloatArray:
    return np.asarray(line[place - 1])


def _spans(place: np.ndarray, values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Middle, lowest and highest of runs of neighbours, none of which is left out."""
    starts = np.linspace(0, len(values), MOST_POINTS // 2 + 1).astype(np.int64)[:-1]
    ends = np.append(starts[1:], len(values))
    low = np.minimum.reduceat(values, starts)
    high = np.maximum.reduceat(values, starts)
    return 0.5 * (place[starts] + place[ends - 1]), low, high


def _in_steps(hours: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Means over steps of time, (B,) and (B, C); single values where there are few."""
    order = np.argsort(hours, kind="stable")
    hours, values = hours[order], values[order]
    if len(hours) <= MOST_STEPS:
        return hours, values
    starts = np.linspace(0, len(hours), MOST_STEPS + 1).astype(np.int64)[:-1]
    sizes = np.diff(np.append(starts, len(hours)))
    means = np.add.reduceat(values, starts) / sizes[:, None]
    return np.add.reduceat(hours, starts) / sizes, means
