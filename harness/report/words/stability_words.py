"""The stability of a run in words and figures for people."""

from __future__ import annotations

import math

import numpy as np

from drivers.quantities import counted
from harness.analysis.stability.correlated_fit import Estimate
from harness.analysis.stability.stability import Stability
from harness.report.words import numbers
from harness.report.words.time_axis import averaging_time
from harness.run_file.run import Run

MOSTLY = 0.5
HARDLY = 0.1


def interval_of(estimate: Estimate, unit: str, factor: float = 1.0) -> str:
    """`3.2 ± 2.1 mdB/h`: half the interval stands behind the sign."""
    half = 0.5 * (estimate.high - estimate.low) * factor
    return f"{numbers.with_uncertainty(estimate.value * factor, half)} {unit}"


def is_seen(estimate: Estimate) -> bool:
    """Whether the interval leaves out zero."""
    return not estimate.low <= 0.0 <= estimate.high


def drift_of(found: Stability) -> str:
    """The drift, beside the temperature where that can be told apart."""
    return interval_of(drift_estimate(found), "mdB/h", 1e3)


def drift_estimate(found: Stability) -> Estimate:
    """Beside the temperature where that can be told apart, else the drift as a whole."""
    effect = found.temperature
    return effect.drift_db_per_h if effect and effect.is_told_apart else found.drift_db_per_h


def temperature_of(found: Stability) -> tuple[str, str]:
    """The coefficient, and what is to be known of it; empty without one."""
    effect = found.temperature
    if effect is None:
        return "", ""
    stated = interval_of(effect.coefficient_db_per_k, "mdB/K", 1e3)
    if not effect.is_told_apart:
        return stated, "not to be told apart from drift"
    if effect.relative_per_k is not None:
        return stated, f"relative {interval_of(effect.relative_per_k, '% per K', 100.0)}"
    return stated, ""


def best_average(found: Stability) -> tuple[str, str]:
    """The least Allan deviation and its averaging time; empty where there is none."""
    table = found.allan
    if not len(table.deviation):
        return "", ""
    best = int(np.argmin(table.deviation))
    tau = averaging_time(float(table.averaging_s[best]))
    return f"{numbers.two_digits(float(table.deviation[best]) * 1e3)} mdB", f"over {tau}"


def marked_in(found: Stability) -> str:
    """`2 outliers, 1 step`, or `none`."""
    parts = [
        counted(count, word)
        for count, word in ((len(found.outliers), "outlier"), (len(found.steps.first), "step"))
        if count
    ]
    return ", ".join(parts) or "none"


def zero_of(found: Stability) -> str:
    """What the zero did, and how much of the item's apparent change it explains."""
    zero = found.zero
    if not math.isfinite(zero.explained_share):
        return "The zero was not checked again: what it did meanwhile is not known."
    last, most = float(zero.change_db[-1]) * 1e3, float(np.abs(zero.change_db).max()) * 1e3
    said = f"The zero moved by {last:.2g} mdB from first to last check, at most by {most:.2g} mdB."
    share = zero.explained_share
    percent = f"{100 * share:.0f} %"
    apparent = (
        f"the item's loss seems to change by {zero.apparent_change_db * 1e3:.2g} mdB over the run, "
        f"with it by {zero.remaining_change_db * 1e3:.2g} mdB"
    )
    if share < -HARDLY:
        verdict = "correcting for it made the loss vary more: the checks scatter more than the item"
    elif share < HARDLY:
        verdict = "the zero explains next to nothing of the slow changes"
    elif share < MOSTLY:
        verdict = f"the zero explains {percent} of the variance of the slow changes"
    else:
        verdict = f"the zero explains most ({percent}) of the variance of the slow changes"
    return f"{said} Without its correction {apparent}; {verdict}."


def stability_lines(run: Run) -> list[str]:
    """A few lines for the terminal; none for short runs."""
    lines = []
    for name, band in run.bands.items():
        found = band.stability
        if found is None:
            continue
        parts = [f"drift {drift_of(found)}"]
        parts.append(f"one sweep {numbers.two_digits(found.repeatability_db * 1e3)} mdB")
        deviation, tau = best_average(found)
        if deviation:
            parts.append(f"least Allan deviation {deviation} {tau}")
        coefficient, _ = temperature_of(found)
        if coefficient:
            parts.append(f"temperature {coefficient}")
        if marked_in(found) != "none":
            parts.append(f"marked: {marked_in(found)}")
        lines.append(f"stability, {name}: {'; '.join(parts)}")
    return lines
