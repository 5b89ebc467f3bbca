"""How far the zero may move between two looks at it before nobody can explain that."""

from __future__ import annotations

import numpy as np

from harness.analysis.loss.zero_limits import (
    LARGEST_WITHIN,
    explained_change_db,
    most_seen_db,
)
from harness.station.station import Station


def settling_db(station: Station) -> float:
    """Most that one connection may change while it settles: it changes less than one that is
    made anew."""
    return LARGEST_WITHIN * station.leads.connection_repeatability_db


def allowed_change_db(station: Station, apart_s: float) -> float:
    """Of the largest change of all points: `zero.most_change` where the station states it, and a
    step of the readings; else what explains itself."""
    if station.zero.most_change_db is not None:
        return most_seen_db(station.zero.most_change_db, station.receiver.resolution_db or 0.0)
    return explained_db(station, apart_s)


def doubtful_change_db(station: Station, apart_s: float) -> float:
    """Of the largest change of all points: beyond it something else is connected. A most that is
    stated closer than makings repeat marks a run, and accuses nobody."""
    return max(allowed_change_db(station, apart_s), explained_db(station, apart_s))


def explained_db(station: Station, apart_s: float) -> float:
    """What drift, makings and the step of the readings explain of the largest change."""
    drift_db_per_hour = station.receiver.drift_per_hour_db or 0.0
    two_makings_db = float(np.sqrt(2.0)) * station.leads.connection_repeatability_db
    return explained_change_db(
        drift_db_per_hour,
        max(apart_s, 0.0),
        two_makings_db,
        LARGEST_WITHIN,
        station.receiver.resolution_db or 0.0,
    )
