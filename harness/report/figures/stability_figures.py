"""The drawings of a long run: the loss in time, Allan deviation, and temperature."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from drivers.quantities import counted
from harness.analysis.arrays import FloatArray
from harness.analysis.loss.band import BandResult
from harness.analysis.stability.loss_series import LossSeries
from harness.analysis.stability.stability import Stability
from harness.analysis.units import SECONDS_PER_HOUR
from harness.report.figures.svg import EXPECTED, HAIRLINE, INK, LIMIT, LOSS, MUTED, PAPER, rendered
from harness.report.words import numbers
from harness.report.words.time_axis import averaging_time, envelope, gaps, time_scale
from harness.run_file.run import Event

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_TIME_HEIGHT = 340
_ALLAN_HEIGHT = 285
_TEMPERATURE_HEIGHT = 420
_VEIL = 0.3
MOST_MARKS = 60
"""Marks of one kind in a drawing; there is no room for more on its axis."""
MOST_DOTS = 400
FAULTS = ("recovery", "missed", "resumed")
"""Kinds of events that show on the axis of time."""


def time_figure(
    name: str, band: BandResult, events: Sequence[Event], started: float, key: str
) -> str:
    """Loss in time with outliers, steps, gaps and faults; the zero below.

    Raises:
        ValueError: the band has no stability.
    """
    series, found = _stable(band)
    divisor, unit = time_scale(found.end - started)
    factor, decibel = numbers.decibel_scale(float(np.ptp(series.loss_db)))
    drawn = envelope(series.time, series.loss_db)
    level = found.mean_db

    def hours(time: Any) -> Any:
        return (time - started) / divisor

    def paint(figure: Figure) -> None:
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(5, 2))
        upper.set_title(f"Loss less {level:.4f} dB, {decibel}", color=MUTED)
        upper.set_axisbelow(True)
        upper.grid(axis="y")
        x = hours(drawn.time)
        upper.fill_between(
            x, (drawn.low - level) * factor, (drawn.high - level) * factor,
            color=LOSS, alpha=_VEIL, linewidth=0.8,
        )  # fmt: skip
        upper.plot(x, (drawn.mean - level) * factor, color=LOSS, linewidth=1.1, label="loss")
        _mark_sweeps(upper, series, found, hours, factor)
        bottom, top = upper.get_ylim()
        for begin, end in gaps(series.time)[:MOST_MARKS]:
            upper.axvspan(hours(begin), hours(end), color=HAIRLINE, alpha=0.6, linewidth=0)
        faults = [event.time for event in events if event.kind in FAULTS]
        shown = np.asarray(faults[:: max(len(faults) // MOST_MARKS, 1)])
        if len(shown):
            upper.plot(
                hours(shown), np.full(len(shown), bottom), linestyle="none", marker="|",
                markersize=12, color=LIMIT, markeredgewidth=1.6, label="fault", clip_on=False,
            )  # fmt: skip
        upper.set_ylim(bottom, top)
        zero = found.zero
        small, zero_unit = numbers.decibel_scale(float(np.abs(zero.change_db).max(initial=0.0)))
        lower.set_title(f"Change of the zero, {zero_unit}", color=MUTED)
        lower.grid(axis="y")
        lower.plot(
            hours(zero.time), zero.change_db * small, color=EXPECTED, linewidth=1.0, marker="s",
            markersize=4.5, markerfacecolor=PAPER, label="check of the zero",
        )  # fmt: skip
        lower.locator_params(axis="y", nbins=3)
        lower.set_xlabel(f"Since the run's start, {unit}")
        handles, labels = upper.get_legend_handles_labels()
        more, words = lower.get_legend_handles_labels()
        figure.legend(
            [*handles, *more], [*labels, *words], loc="outside lower left", ncols=3,
            handletextpad=0.5,
        )  # fmt: skip

    pauses = gaps(series.time)
    faulty = sum(event.kind in FAULTS for event in events)
    said = (
        f"Loss of {name} in time: {counted(found.sweeps, 'sweep')} about {level:.4f} dB, "
        f"{counted(len(found.outliers), 'marked outlier')}, "
        f"{counted(len(found.steps.first), 'step')}, {counted(len(pauses), 'gap')}, "
        f"{counted(faulty, 'fault')}."
    )
    return rendered(paint, key=key, label=said, height=_TIME_HEIGHT)


def _mark_sweeps(
    axes: Any, series: LossSeries, found: Stability, hours: Any, factor: float
) -> None:
    marked = found.outliers[:MOST_MARKS]
    if len(marked):
        axes.plot(
            hours(series.time[marked]), (series.loss_db[marked] - found.mean_db) * factor,
            linestyle="none", marker="x", markersize=6, color=INK, markeredgewidth=1.5,
            label="outlier",
        )  # fmt: skip
    label = "step"
    for first in found.steps.first[:MOST_MARKS]:
        axes.axvline(
            hours(series.time[first]), color=INK, linewidth=1.2, linestyle=(0, (4, 3)), label=label
        )
        label = "_"


def allan_figure(bands: dict[str, BandResult], key: str) -> str:
    """Overlapping Allan deviation with its 95 % intervals, a line for each band.

    Raises:
        ValueError: a band has no stability.
    """
    shown = {name: _stable(band)[1].allan for name, band in bands.items()}
    marks = ("o", "s", "D", "^", "v", "P")
    dashes = ((), (5, 2), (2, 2), (7, 2, 2, 2), (1, 1.5), (9, 3))
    colours = (LOSS, EXPECTED, INK, MUTED, LIMIT)

    def paint(figure: Figure) -> None:
        from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

        axes = figure.add_subplot()
        axes.set(xscale="log", yscale="log")
        axes.set_title("Allan deviation of the loss, mdB", color=MUTED)
        axes.set_xlabel("Averaging time")
        axes.grid(which="major")
        axes.set_axisbelow(True)
        for place, (name, table) in enumerate(shown.items()):
            if not np.any(table.deviation > 0.0):
                continue
            colour = colours[place % len(colours)]
            # side by side, so that bars do not hide each other
            x = table.averaging_s * 1.045 ** (place - (len(shown) - 1) / 2.0)
            y = table.deviation * 1e3
            below = np.maximum(y - table.low * 1e3, 0.0)
            above = np.maximum(table.high * 1e3 - y, 0.0)
            line = axes.errorbar(
                x, y, yerr=(below, above), color=colour, marker=marks[place % len(marks)],
                markersize=4.5, markerfacecolor=PAPER, linewidth=1.2, elinewidth=1.0, capsize=2,
                label=numbers.printable(name),
            )[0]  # fmt: skip
            if dashes[place % len(dashes)]:
                line.set_dashes(dashes[place % len(dashes)])
        every = max((table.averaging_s for table in shown.values()), key=len)
        if len(every):
            some = np.unique(np.round(np.linspace(0, len(every) - 1, 5)).astype(np.int64))
            axes.set_xticks(every[some], minor=False)
            axes.set_xticks([], minor=True)
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: averaging_time(value)))
        axes.xaxis.set_minor_formatter(NullFormatter())
        axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.yaxis.set_minor_formatter(NullFormatter())
        figure.legend(loc="outside lower left", ncols=2)

    said = "; ".join(
        f"{name}: {_least(table.averaging_s, table.deviation)}" for name, table in shown.items()
    )
    return rendered(paint, key=key, label=f"Allan deviation. {said}.", height=_ALLAN_HEIGHT)


def _least(averaging_s: FloatArray, deviation: FloatArray) -> str:
    if not len(deviation):
        return "none"
    best = int(np.argmin(deviation))
    return f"least {deviation[best] * 1e3:.2g} mdB at {averaging_time(float(averaging_s[best]))}"


def temperature_figure(bands: dict[str, BandResult], started: float, key: str) -> str:
    """Temperature in time, and the loss against it with the fitted line, of the first band.

    Raises:
        ValueError: there is no band with a temperature.
    """
    name, band = next(iter(bands.items()))
    series, found = _stable(band)
    kelvin, effect = series.temperature_c, found.temperature
    if kelvin is None or effect is None:
        raise ValueError(f"band {name!r} has no effect of temperature to draw")
    divisor, unit = time_scale(found.end - started)
    factor, decibel = numbers.decibel_scale(float(np.ptp(series.loss_db)))
    drawn = envelope(series.time, kelvin)
    drift = effect.drift_db_per_h.value * (series.time - series.time.mean()) / SECONDS_PER_HOUR
    if found.warm_up is not None:
        left = found.warm_up.column(series.time - series.time[0])
        drift = drift + found.warm_up.approach_db * left
    known = np.flatnonzero(np.isfinite(kelvin))
    few = known[:: max(len(known) // MOST_DOTS, 1)]
    level = float(np.mean((series.loss_db - drift)[known]))

    def paint(figure: Figure) -> None:
        upper, lower = figure.subplots(2, 1, height_ratios=(2, 4))
        upper.set_title("Temperature, °C", color=MUTED)
        x = (drawn.time - started) / divisor
        upper.fill_between(x, drawn.low, drawn.high, color=EXPECTED, alpha=_VEIL, linewidth=0.8)
        upper.plot(x, drawn.mean, color=EXPECTED, linewidth=1.1)
        upper.set_xlabel(f"Since the run's start, {unit}")
        upper.grid(axis="y")
        upper.locator_params(axis="y", nbins=4)
        lower.set_title(f"{numbers.printable(name)}: loss less drift, {decibel}", color=MUTED)
        lower.plot(
            kelvin[few], ((series.loss_db - drift)[few] - level) * factor, linestyle="none",
            marker=".", markersize=2.5, color=LOSS, alpha=0.6, label="sweeps",
        )  # fmt: skip
        ends = np.array([effect.lowest_c, effect.highest_c])
        fitted = effect.coefficient_db_per_k.value * (ends - float(np.mean(kelvin[known])))
        lower.plot(ends, fitted * factor, color=INK, linewidth=1.6, label="fitted line")
        lower.set_xlabel("Temperature, °C")
        lower.grid(axis="y")
        low, high = np.quantile(((series.loss_db - drift)[few] - level) * factor, (0.005, 0.995))
        room = 0.25 * max(high - low, 1e-6)
        lower.set_ylim(low - room, high + room)
        figure.legend(*lower.get_legend_handles_labels(), loc="outside lower left", ncols=2)

    said = (
        f"Temperature from {effect.lowest_c:.1f} to {effect.highest_c:.1f} °C, and the loss of "
        f"{name} against it."
    )
    return rendered(paint, key=key, label=said, height=_TEMPERATURE_HEIGHT)


def _stable(band: BandResult) -> tuple[LossSeries, Stability]:
    if band.series is None or band.stability is None:
        raise ValueError("the band has no stability to draw")
    return band.series, band.stability
