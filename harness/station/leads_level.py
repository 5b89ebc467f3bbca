"""What joined leads ought to read, by what the station states of their loss."""

from __future__ import annotations

import numpy as np

from drivers.quantities import LENGTH_UNITS, parse_quantity
from harness.analysis.expected.expected_loss import expected_loss
from harness.analysis.expected.part_list import parse_part
from harness.analysis.likeness.reads_like import Likeness
from harness.analysis.likeness.zero_level import ForeseenZero
from harness.station.station import Station


def stated_level(station: Station, band: str) -> ForeseenZero | None:
    """Of a band; None where the station states no loss of its leads.

    Raises:
        UnknownPartError: the catalogue lacks a part of theirs, or a length is missing or too much.
    """
    leads = station.leads
    if leads.loss_limits_db is None:
        return None
    frequency_hz = station.bands[band].frequency_hz
    parts = [parse_part(text, _length_in_m) for text in leads.made_of or ()]
    lost = expected_loss(
        parts, station.known_parts(), frequency_hz, temperature_c=station.temperature_c
    )
    through_db = 0.0 if station.through is None else station.through.loss_db(frequency_hz)
    return ForeseenZero(
        -(leads.pads_db or 0.0) - float(np.mean(lost.loss_db + through_db)),
        leads.loss_limits_db + float(np.mean(lost.expanded_uncertainty_db)),
        Likeness.UNLIKE_STATED,
    )


def _length_in_m(text: str) -> float:
    return parse_quantity(text, LENGTH_UNITS, "450 mm")
