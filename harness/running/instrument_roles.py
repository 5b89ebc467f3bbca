"""The instruments of a station: the driver of each role, speaking its dialect."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from drivers.dialects.dialect import wire_settings
from drivers.instruments.network_analyzer import NetworkAnalyzer
from drivers.instruments.power_meter import PowerMeter
from drivers.instruments.signal_generator import SignalGenerator
from drivers.instruments.signal_switch import SignalSwitch
from drivers.instruments.spectrum_analyzer import TrackingSpectrumAnalyzer
from drivers.instruments.stepped_source import SteppedSource
from drivers.instruments.thermometer import Thermometer
from drivers.instruments.tracking_source import TrackingSource
from drivers.link.link import Link
from drivers.link.traffic_log import TrafficLog
from harness.bench.clock import Clock
from harness.running.station_check import dialect_of
from harness.station.items import Workplace

InstrumentSource = NetworkAnalyzer | SteppedSource | TrackingSource
"""The sources of sweeps that a station can have."""


@dataclass(frozen=True)
class _StationFacts:
    """What a driver has to know of its station."""

    table: Any
    """Its own table of the station file."""
    maximum_power_dbm: float
    clock: Clock


_DRIVERS: dict[str, Callable[[Link, Any, _StationFacts], Any]] = {
    "analyzer": lambda link, dialect, stated: NetworkAnalyzer(
        link,
        dialect,
        maximum_power_dbm=stated.maximum_power_dbm,
        traces=stated.table.traces,
        clock=stated.clock,
    ),
    "spectrum_analyzer": lambda link, dialect, stated: TrackingSpectrumAnalyzer(
        link, dialect, maximum_power_dbm=stated.maximum_power_dbm, clock=stated.clock
    ),
    "generator": lambda link, dialect, stated: SignalGenerator(
        link, dialect, maximum_power_dbm=stated.maximum_power_dbm
    ),
    "power_meter": lambda link, dialect, stated: PowerMeter(
        link, dialect, floor_dbm=stated.table.noise_floor_dbm
    ),
    "switch": lambda link, dialect, _: SignalSwitch(link, dialect),
    "thermometer": lambda link, dialect, _: Thermometer(link, dialect),
}
"""By role; the dialects stand in `station_check`, which needs no driver."""


@dataclass(frozen=True)
class StationInstruments:
    """What a station measures with, none of it opened yet."""

    source: InstrumentSource
    switch: SignalSwitch | None
    thermometer: Thermometer | None
    links: tuple[Link, ...]


def station_instruments(
    workplace: Workplace, addresses: Mapping[str, str], log: TrafficLog | None, clock: Clock
) -> StationInstruments:
    """The drivers of a station's instruments; `addresses` are those of roles whose table has
    none.

    Raises:
        InputError: a dialect cannot be used.
    """
    station = workplace.station
    links: list[Link] = []
    made: dict[str, Any] = {}
    for role, table in station.instruments().items():
        dialect = dialect_of(workplace, role)
        link = Link(
            addresses[role] if table.resource is None else table.resource,
            timeout_s=table.timeout_s,
            visa_library=table.visa_library,
            wire=wire_settings(dialect),
            log=log,
        )
        links.append(link)
        stated = _StationFacts(table, station.maximum_power_dbm, clock)
        made[role] = _DRIVERS[role](link, dialect, stated)
    source: InstrumentSource
    if station.analyzer is not None:
        source = made["analyzer"]
    elif station.spectrum_analyzer is not None:
        source = TrackingSource(made["spectrum_analyzer"])
    elif station.power_meter is not None:
        source = SteppedSource(
            made["generator"],
            made["power_meter"],
            settling_s=station.power_meter.settling_s,
            clock=clock,
        )
    else:
        raise AssertionError("a checked station has one set-up")
    return StationInstruments(source, made.get("switch"), made.get("thermometer"), tuple(links))
