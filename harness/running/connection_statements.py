"""What is known beforehand of connections: by the station of its joints, by the items file of an
item."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import cache, partial

from harness.analysis.expected.catalogue_parts import Cable
from harness.analysis.expected.expected_loss import ExpectedLoss
from harness.analysis.likeness.reads_like import (
    UNKNOWN_REFLECTION,
    ForeseenItem,
    PlaceStatements,
    delay_limits_s,
)
from harness.analysis.likeness.same_making import RepeatStatements
from harness.analysis.likeness.zero_level import EarlierZero, ForeseenZero, foreseen_from
from harness.analysis.uncertainty.mismatch import reflection_magnitude
from harness.bench.connection_judge import ConnectionJudge
from harness.station.items import Item
from harness.station.leads_level import stated_level
from harness.station.station import Station
from harness.station.zero_allowance import doubtful_change_db


def judge_of(
    station: Station, item_of: Callable[[str], Item], earlier: Sequence[EarlierZero]
) -> ConnectionJudge:
    """What judges the connections of a station; `item_of` is what is known of an item by name,
    `earlier` are zeros that can be compared with the one to come."""
    return ConnectionJudge(
        place_statements(station),
        cache(lambda name: foreseen(station, item_of(name))),
        partial(doubtful_change_db, station),
        may_stay_untouched=station.switch is not None,
        foreseen_zeros=(
            foreseen_from(
                earlier,
                list(station.bands),
                station.leads.connection_repeatability_db,
                station.receiver.resolution_db or 0.0,
            ),
            _stated_levels(station),
        ),
    )


def _stated_levels(station: Station) -> dict[str, ForeseenZero]:
    """By band, where the station states what its leads lose."""
    levels = {band: stated_level(station, band) for band in station.bands}
    return {band: level for band, level in levels.items() if level is not None}


def place_statements(station: Station) -> PlaceStatements:
    """What a station states of its joints and ports."""
    receiver = station.receiver
    return PlaceStatements(
        RepeatStatements(
            station.leads.connection_repeatability_db,
            receiver.drift_per_hour_db or 0.0,
            receiver.resolution_db or 0.0,
        ),
        match=reflection_magnitude(station.source_match_db)
        + reflection_magnitude(receiver.load_match_db),
        flexure_db=(station.leads.flexure_db or 0.0)
        + (0.0 if station.switch is None else station.switch.path_difference_db or 0.0),
    )


def foreseen(station: Station, item: Item) -> ForeseenItem:
    """What an item ought to lose and how long it is, as far as it says what it is made of."""
    loss_db = {}
    limits: tuple[float, float] | None = None
    for name in station.bands:
        expected = item.expected(
            station.bands[name].frequency_hz, station.temperature_c, station.known_parts()
        )
        if expected is None:
            continue
        loss_db[name] = (expected.loss_db, expected.expanded_uncertainty_db)
        limits = _delay_limits(expected, item.length_limits_m)
    reflection = (
        UNKNOWN_REFLECTION
        if item.return_loss_db is None
        else reflection_magnitude(item.return_loss_db)
    )
    return ForeseenItem(loss_db, limits, reflection)


def _delay_limits(expected: ExpectedLoss, limits_m: float) -> tuple[float, float] | None:
    """Of all its cables together; None where there is none."""
    pieces = list(_pieces(expected, limits_m))
    if not pieces:
        return None
    return sum(least for least, _ in pieces), sum(most for _, most in pieces)


def _pieces(expected: ExpectedLoss, limits_m: float) -> Iterable[tuple[float, float]]:
    for part in expected.parts:
        entry, length_m = part.entry, part.part.length_m
        if isinstance(entry, Cable) and length_m is not None:
            stated = entry.velocity_factor
            factor = None if stated is None else stated.value
            yield delay_limits_s(part.part.count * length_m, limits_m, factor)
