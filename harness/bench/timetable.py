"""When each sweep of a procedure would be made, and how long it all takes, with nothing connected.

The procedure is gone through as in a rehearsal, with a clock that advances by what sweeps and
connections are taken to need.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from drivers.sweep import Sweep, SweepSettings
from harness.analysis.planning.campaigns import CampaignPlan
from harness.bench.bench import Bench
from harness.bench.rehearsal import StandIn, Workload, rehearse
from harness.run_file import Kind
from harness.station.station import Station

CONNECTING_S = 60.0
"""One connection undone, cleaned, made and torqued by hand (common practice, no source)."""
SWITCHING_S = 1.0
OVERHEAD_S = 0.2
"""Of each sweep: setting off, waiting for the end, reading."""
POWER_READING_S = 0.05
"""One reading of a power meter, the generator's settling included (common practice, no source)."""
FILTER_FACTOR = 2.5
"""Sweep time of a spectrum analyzer: this times span / resolution bandwidth squared (common
practice, no source)."""


@dataclass(frozen=True)
class Timetable:
    """What a procedure asks for, in time."""

    plans: dict[str, CampaignPlan]
    """By band."""
    work: Workload
    total_s: float


def timetable(
    procedure: Callable[[Bench], None],
    station: Station,
    *,
    connecting_s: float = CONNECTING_S,
) -> Timetable:
    """Go through `procedure` with the bands of `station`.

    Raises:
        InputError: the procedure does not end, or leaves a band without through or item.
    """
    bands = {band: _settings(station, band) for band in station.bands}
    lasting_s = {band: sweep_seconds(station, band) for band in bands}
    switched_s = connecting_s if station.switch is None else SWITCHING_S
    clock = _Clock(lasting_s, switched_s, station.needs_a_person)
    work = rehearse(procedure, "item", bands, clock)
    return Timetable({band: clock.plan(band) for band in bands}, work, clock.now())


def sweep_seconds(station: Station, band: str) -> float:
    """About how long one sweep of a band takes.

    A network analyzer needs the inverse of its IF bandwidth for each point, twice where it
    also measures from the other side.
    """
    chosen = station.bands[band]
    if station.analyzer is not None:
        passes = 2 if {"S12", "S22"} & set(station.analyzer.traces) else 1
        readings = chosen.points * station.analyzer.averages * passes
        return OVERHEAD_S + readings / station.analyzer.if_bandwidth_hz
    if station.spectrum_analyzer is not None:
        span_hz = chosen.stop_hz - chosen.start_hz
        once_s = FILTER_FACTOR * span_hz / station.spectrum_analyzer.resolution_bandwidth_hz**2
        return OVERHEAD_S + station.spectrum_analyzer.averages * once_s
    if station.power_meter is not None:
        reading_s = POWER_READING_S * station.power_meter.averages
        return OVERHEAD_S + chosen.points * (station.power_meter.settling_s + reading_s)
    return OVERHEAD_S


def _settings(station: Station, band: str) -> SweepSettings:
    if station.recorded is None:
        return station.settings(band)
    chosen = station.bands[band]
    return SweepSettings(
        start_hz=chosen.start_hz,
        stop_hz=chosen.stop_hz,
        points=chosen.points,
        power_dbm=0.0,
        if_bandwidth_hz=1e3,
        averages=1,
        spacing=chosen.spacing,
    )


class _Clock(StandIn):
    """Keeps the time at which each sweep ends, and what it is a sweep of."""

    def __init__(
        self, lasting_s: Mapping[str, float], connecting_s: float, needs_a_person: bool
    ) -> None:
        super().__init__(needs_a_person=needs_a_person)
        self._lasting_s = lasting_s
        self._connecting_s = connecting_s
        self._kept: dict[tuple[str, Kind], list[tuple[float, int]]] = defaultdict(list)

    def connect_through(self, *, again: bool) -> None:
        super().connect_through(again=again)
        self._now += self._connecting_s

    def connect_item(self, item: str, insertion: int, of: int) -> None:
        super().connect_item(item, insertion, of)
        self._now += self._connecting_s

    def append(
        self, band: str, kind: Kind, index: int, sweep: Sweep, *, is_suspect: bool = False
    ) -> None:
        super().append(band, kind, index, sweep, is_suspect=is_suspect)
        self._now += self._lasting_s[band]
        self._kept[band, kind].append((self._now, index))

    def plan(self, band: str) -> CampaignPlan:
        """The sweeps of a band."""
        through, item = (
            np.array(self._kept[band, kind]).T for kind in ("normalization", "insertions")
        )
        return CampaignPlan(
            through[0], through[1].astype(np.int64), item[0], item[1].astype(np.int64)
        )
