"""How long the signal takes through an item, as far as its bands allow to say."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from harness.analysis.diagnosis.observation import MeasuredDelay
from harness.analysis.expected.catalogue_parts import Cable
from harness.analysis.expected.expected_loss import ExpectedLoss
from harness.analysis.loss.band import BandMeans, BandResult
from harness.analysis.several_runs.delay import (
    Delay,
    ForeseenDelay,
    UndecidableTurnsError,
    combined_delay,
    measured_delay,
)

SHARE_OF_LENGTH = 0.5
"""Of the stated length: how far an item's length may be from it for its turns to be told."""


def item_delay(
    readings: Sequence[BandMeans], bands: Sequence[BandResult], expected: ExpectedLoss
) -> MeasuredDelay | None:
    """Delay from all bands whose turns of phase are decidable; None where there is none.

    A run without phase, an item without cable, and one whose length would have to be known
    better than by half of it, have none.
    """
    length_m = sum(
        p.part.count * (p.part.length_m or 0.0)
        for p in expected.parts
        if isinstance(p.entry, Cable)
    )
    if length_m == 0.0:
        return None
    foreseen = ForeseenDelay.from_length(length_m, SHARE_OF_LENGTH * length_m)
    found: list[Delay] = []
    for own, result in zip(readings, bands, strict=True):
        if own.is_scalar or len(own.frequency_hz) < 3:
            continue
        lines = (line for line in result.budget if line.name == "mismatch")
        mismatch = next(lines, None)
        try:
            found.append(
                measured_delay(
                    own.frequency_hz,
                    own.through_mean[own.transmission],
                    own.item_transmission,
                    np.zeros(len(own.frequency_hz))
                    if mismatch is None
                    else mismatch.standard_uncertainty_db,
                    foreseen,
                )
            )
        except UndecidableTurnsError:
            continue
    if not found:
        return None
    whole = combined_delay(found)
    return MeasuredDelay(whole.delay_s, whole.standard_uncertainty_s)
