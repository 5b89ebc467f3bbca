"""The timetable of a campaign that is written down step by step."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from harness.analysis.planning.campaigns import CampaignPlan


@dataclass(frozen=True)
class CampaignStep:
    """One step of a campaign: a connection that is made and then swept, or a wait."""

    kind: Literal["through", "item", "wait"]
    sweeps: int = 0
    seconds: float = 0.0
    """Of a wait."""


def timetable(
    steps: tuple[CampaignStep, ...], *, connecting_s: float = 30.0, sweep_s: float = 1.0
) -> CampaignPlan:
    """When each sweep of `steps` ends; every step but a wait makes its connection afresh."""
    clock = 0.0
    times: dict[str, list[float]] = {"through": [], "item": []}
    groups: dict[str, list[int]] = {"through": [], "item": []}
    made = {"through": 0, "item": 0}
    for step in steps:
        if step.kind == "wait":
            clock += step.seconds
            continue
        clock += connecting_s
        for _ in range(step.sweeps):
            clock += sweep_s
            times[step.kind].append(clock)
            groups[step.kind].append(made[step.kind])
        made[step.kind] += 1
    return CampaignPlan(
        np.array(times["through"]),
        np.array(groups["through"], dtype=np.int64),
        np.array(times["item"]),
        np.array(groups["item"], dtype=np.int64),
    )
