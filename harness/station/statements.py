"""What a station and an item state, as the analysis takes it."""

from __future__ import annotations

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.expected.catalogue_parts import COPPER_LOSS_PER_K
from harness.analysis.loss.band import RULES, Statements
from harness.analysis.loss.pooling import PooledRepeatability
from harness.analysis.uncertainty.mismatch import reflection_magnitude
from harness.station.instrument_tables import USUAL_TRACKING_DB
from harness.station.items import Item
from harness.station.station import Station

TEMPERATURE_STEP_K = 1.0


def statements_of(
    station: Station,
    item: Item,
    frequency_hz: FloatArray,
    history: PooledRepeatability | None = None,
    rules: int = RULES,
) -> Statements:
    """The statements at `frequency_hz` (P,); `history` is what earlier runs say there, `rules`
    those that the run was begun under."""
    through, receiver = station.through, station.receiver
    nothing = np.zeros_like(frequency_hz)
    reads_reflections = station.analyzer or station.recorded
    tracking_db = None if reads_reflections is None else reads_reflections.reflection_tracking_db
    return Statements(
        source_reflection=reflection_magnitude(station.source_match_db),
        load_reflection=reflection_magnitude(receiver.load_match_db),
        connection_repeatability_db=station.leads.connection_repeatability_db,
        through_loss_db=nothing if through is None else through.loss_db(frequency_hz),
        through_loss_limits_db=nothing if through is None else through.loss_limits_db(frequency_hz),
        through_loss_source="" if through is None else through.loss_source,
        through_reflection=0.0 if through is None else reflection_magnitude(through.return_loss_db),
        item_reflection=None
        if item.return_loss_db is None
        else reflection_magnitude(item.return_loss_db),
        drift_db_per_hour=receiver.drift_per_hour_db,
        lead_loss_difference_db=station.leads.loss_difference_db,
        linearity_db=receiver.linearity_db,
        switch_path_difference_db=None
        if station.switch is None
        else station.switch.path_difference_db,
        linearity_per_10_db=receiver.linearity_per_10_db,
        isolation_db=receiver.isolation_db,
        resolution_db=receiver.resolution_db,
        flexure_db=station.leads.flexure_db,
        temperature_limits_k=station.temperature_limits_k,
        temperature_coefficient_per_k=_temperature_coefficient(station, item, frequency_hz),
        most_zero_change_db=station.zero.most_change_db,
        oldest_zero_s=station.zero.oldest_s,
        history=history,
        through_pairs=1 if through is None and station.switch is None else 2,
        reflection_tracking_db=USUAL_TRACKING_DB if tracking_db is None else tracking_db,
        reflection_tracking_is_stated=tracking_db is not None,
        bands=len(station.bands),
        rules=rules,
    )


def _temperature_coefficient(
    station: Station, item: Item, frequency_hz: FloatArray
) -> FloatArray | float:
    """Relative change of the loss for each kelvin, (P,): of the parts that the item is made of,
    else of copper alone, which no cable exceeds."""
    if not station.temperature_limits_k:
        return 0.0
    expected = item.expected(frequency_hz, station.temperature_c, station.known_parts())
    warmer = item.expected(
        frequency_hz, station.temperature_c + TEMPERATURE_STEP_K, station.known_parts()
    )
    if expected is None or warmer is None or not np.all(expected.loss_db > 0.0):
        return COPPER_LOSS_PER_K
    return np.asarray((warmer.loss_db / expected.loss_db - 1.0) / TEMPERATURE_STEP_K)
