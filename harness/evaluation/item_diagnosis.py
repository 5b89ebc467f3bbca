"""The diagnosis of a run: from all its bands at once, and what its item says it is made of."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from harness.analysis.diagnosis.diagnosed import find
from harness.analysis.diagnosis.finding import Finding
from harness.analysis.diagnosis.observation import observe
from harness.analysis.diagnosis.reflecting_end import reflecting_end
from harness.analysis.diagnosis.transit_time import item_delay
from harness.analysis.expected.expected_loss import ExpectedLoss
from harness.analysis.loss.band import BandMeans, BandResult
from harness.station.items import Item
from harness.station.station import Station


def find_in_run(
    results: Mapping[str, BandResult],
    readings: Mapping[str, BandMeans],
    station: Station,
    item: Item,
) -> Finding | None:
    """What the shape of the loss says; None where nothing is expected of the item.

    A loss or an uncertainty that is not finite allows no diagnosis either: its band says so.
    """
    catalogue = station.known_parts()
    expected: list[ExpectedLoss] = []
    for band in results.values():
        ought = item.expected(band.frequency_hz, station.temperature_c, catalogue)
        if ought is None:
            return None
        expected.append(ought)
    bands = list(results.values())
    stated = (a for b in bands for a in (b.insertion_loss_db, b.standard_uncertainty_db))
    if not bands or not all(np.all(np.isfinite(values)) for values in stated):
        return None
    read = [readings[name] for name in results]
    seen = observe(bands, expected, item_delay(read, bands, expected[0]))
    return find(seen, reflecting_end(read))
