"""How far the zero may move between two looks at it before nobody can explain that."""

from __future__ import annotations

import numpy as np

from harness.analysis.units import SECONDS_PER_HOUR
from harness.station.station import Station

MAKINGS_APART = 3.0 * np.sqrt(2.0)
"""Standard deviations of one making by which two may differ: three of their difference."""


def allowed_change_db(station: Station, apart_s: float) -> float:
    """`zero.most_change` where the station states it; else its drift in the time between, and
    `MAKINGS_APART` times the repeatability of a connection."""
    if station.zero.most_change_db is not None:
        return station.zero.most_change_db
    drift_db_per_hour = station.receiver.drift_per_hour_db or 0.0
    drift_db = drift_db_per_hour * max(apart_s, 0.0) / SECONDS_PER_HOUR
    return float(drift_db + MAKINGS_APART * station.leads.connection_repeatability_db)
