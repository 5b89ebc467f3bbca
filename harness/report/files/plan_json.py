"""Plans as the JSON of schema `tareline-plan/1`, for machines.

Losses and uncertainties are in dB, times in s, frequencies in Hz; null stands where the item has
no limit.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness.planning.planned import ItemPlan, PlannedBand

SCHEMA = "tareline-plan/1"


def as_dict(plans: Sequence[ItemPlan]) -> dict[str, Any]:
    """The whole document."""
    return {"schema": SCHEMA, "items": [_item(plan) for plan in plans]}


def _item(plan: ItemPlan) -> dict[str, Any]:
    return {
        "item": plan.item,
        "decision_rule": str(plan.rule),
        "assumptions": list(plan.assumptions),
        "plans": [
            {
                **run.choice.parameters(),
                "connections": run.connections,
                "all_sweeps": run.sweeps,
                "duration_s": run.duration_s,
                "bands": [_band(band) for band in run.bands],
            }
            for run in plan.runs
        ],
    }


def _band(band: PlannedBand) -> dict[str, Any]:
    return {
        "name": band.name,
        "frequency_hz": band.frequency_hz,
        "true_loss_db": band.loss_db,
        "limit_db": band.limit_db,
        "expanded_uncertainty_db": band.expanded_uncertainty_db,
        "first": {
            "contribution": band.weakest.name,
            "share_of_variance": band.weakest.share,
            "expanded_uncertainty_without_db": band.weakest.expanded_without_db,
        },
        "clear_verdict_probability": band.clear,
        "verdict_probabilities": None
        if band.chances is None
        else {verdict.value: share for verdict, share in band.chances.items()},
    }
