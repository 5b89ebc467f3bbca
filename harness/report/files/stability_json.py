"""The stability of a band for machines: figures and Allan table, without the sweeps."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from harness.analysis.stability.correlated_fit import Estimate
from harness.analysis.stability.stability import Stability


def stability_as_dict(found: Stability) -> dict[str, Any]:
    """SI numbers or dB, times in Unix seconds; what is not known is null."""
    allan, zero, warm_up = found.allan, found.zero, found.warm_up
    return {
        "sweeps": found.sweeps,
        "begin": found.begin,
        "end": found.end,
        "interval_s": found.interval_s,
        "missing": found.missing,
        "insertions": found.insertions,
        "mean_db": _number(found.mean_db),
        "drift_db_per_h": _estimate(found.drift_db_per_h),
        "repeatability_db": _number(found.repeatability_db),
        "repeatability_by_span": [
            {"time": time, "repeatability_db": _number(value)}
            for time, value in zip(
                found.span_time.tolist(), found.span_repeatability_db.tolist(), strict=True
            )
        ],
        "allan": {
            "averaging_s": _list(allan.averaging_s.tolist()),
            "deviation_db": _list(allan.deviation.tolist()),
            "low_db": _list(allan.low.tolist()),
            "high_db": _list(allan.high.tolist()),
            "pairs": allan.pairs.tolist(),
            "effective_dof": _list(allan.effective_dof.tolist()),
            "noise_exponent": allan.noise_exponent.tolist(),
        },
        "temperature": _temperature(found),
        "warm_up": None if warm_up is None else {
            "time_constant_s": _number(warm_up.time_constant_s),
            "approach_db": _number(warm_up.approach_db),
            "settled_s": _number(warm_up.settled_s),
        },
        "outliers": found.outliers.tolist(),
        "steps": [
            {"first_sweep": first, "size_db": size, "standard_uncertainty_db": u}
            for first, size, u in zip(
                found.steps.first.tolist(),
                found.steps.size.tolist(),
                found.steps.standard_uncertainty.tolist(),
                strict=True,
            )
        ],
        "zero": {
            "apparent_change_db": _number(zero.apparent_change_db),
            "remaining_change_db": _number(zero.remaining_change_db),
            "explained_share": _number(zero.explained_share),
            "time": zero.time.tolist(),
            "change_db": _list(zero.change_db.tolist()),
        },
        "notes": list(found.notes),
    }  # fmt: skip


def _temperature(found: Stability) -> dict[str, Any] | None:
    effect = found.temperature
    if effect is None:
        return None
    relative = effect.relative_per_k
    return {
        "coefficient_db_per_k": _estimate(effect.coefficient_db_per_k),
        "relative_per_k": None if relative is None else _estimate(relative),
        "drift_db_per_h": _estimate(effect.drift_db_per_h),
        "mean_c": _number(effect.mean_c),
        "lowest_c": _number(effect.lowest_c),
        "highest_c": _number(effect.highest_c),
        "correlation_with_time": _number(effect.correlation_with_time),
        "is_told_apart": effect.is_told_apart,
    }


def _estimate(estimate: Estimate) -> dict[str, float | None]:
    return {
        "value": _number(estimate.value),
        "standard_uncertainty": _number(estimate.standard_uncertainty),
        "low": _number(estimate.low),
        "high": _number(estimate.high),
    }


def _list(values: Iterable[float]) -> list[float | None]:
    return [_number(value) for value in values]


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
