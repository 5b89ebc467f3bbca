"""A station with its instruments connected: opened together, made safe and closed together."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from drivers.dialects.dialect import (
    Dialect,
    NetworkAnalyzerDialect,
    PowerMeterDialect,
    SignalGeneratorDialect,
    SignalSwitchDialect,
    SpectrumAnalyzerDialect,
    ThermometerDialect,
    wire_settings,
)
from drivers.instruments.hand import Hand
from drivers.instruments.network_analyzer import NetworkAnalyzer
from drivers.instruments.power_meter import PowerMeter
from drivers.instruments.signal_generator import SignalGenerator
from drivers.instruments.signal_switch import SignalSwitch
from drivers.instruments.spectrum_analyzer import TrackingSpectrumAnalyzer
from drivers.instruments.stepped_source import SteppedSource
from drivers.instruments.thermometer import Thermometer
from drivers.instruments.tracking_source import TrackingSource
from drivers.link.guard import Guard
from drivers.link.link import Link
from drivers.link.traffic_log import TrafficLog, open_traffic_log
from harness.bench.clock import Clock, SteadyClock, simulated_clock, wait_until
from harness.running.interrupts import StopSignals
from harness.running.locks import InstrumentLocks, lock_instruments
from harness.running.station_check import dialect_of, require_instruments
from harness.station.items import Workplace
from harness.station.station import Station

SIMULATED = "Tareline,Simulated"
"""How the identities of simulated instruments begin."""

InstrumentSource = NetworkAnalyzer | SteppedSource | TrackingSource
"""The sources of sweeps that a station can have."""


class BenchStart(NamedTuple):
    """Which start of a simulated bench it is, of all that a run needed."""

    first_started: float
    """Unix seconds of the first one, at which the bench's clock began."""
    number: int
    """1 for the first; each has draws of its own."""


@dataclass(frozen=True)
class ConnectedStation:
    """Open instruments; valid within `connect`."""

    source: InstrumentSource
    switch: SignalSwitch | None
    hand: Hand | None
    """The simulated bench's hand; None where a person makes the connections."""
    clock: Clock
    instruments: tuple[dict[str, str], ...]
    """Role, resource and identity of each."""
    simulated_bench: str
    """Description of the simulated bench, where it was started here."""
    locks: InstrumentLocks
    """Keep others from driving these instruments."""
    thermometer: Thermometer | None
    bench_start: BenchStart | None
    """Of the simulated bench, where it was started here; for `connect` of a run that goes on."""
    links: tuple[Link, ...] = ()

    @property
    def is_simulated(self) -> bool:
        """Whether any instrument is one, also where the station file does not say so."""
        return any(SIMULATED in instrument["identity"] for instrument in self.instruments)

    def wait_until(self, until: float) -> None:
        """Return at a time of the clock, Unix s."""
        wait_until(until, self.clock, self.hand)

    def reconnections(self) -> list[str]:
        """What went wrong on links that mended it by themselves, since it was asked last."""
        found = [text for link in self.links for text in link.reconnections]
        for link in self.links:
            link.reconnections.clear()
        return found


@contextmanager
def connect(
    workplace: Workplace,
    stop: StopSignals,
    *,
    goes_on: BenchStart | None = None,
    not_before: float = -math.inf,
) -> Iterator[ConnectedStation]:
    """Open every instrument of a station; on the way out RF is off, whatever happened.

    Where a run goes on, `goes_on` is the start that its simulated bench is to have, if one is
    started here, and `not_before` the time at which the run had stopped, Unix s: no clock begins
    before it.

    Raises:
        InputError: a dialect or the bench description cannot be used.
        BusyError: another process drives one of the instruments.
        InstrumentError: an instrument cannot be reached or does not do as it is told.
    """
    station = workplace.station
    require_instruments(station)
    description = ""
    addresses: dict[str, str] = {}
    with ExitStack() as stack:
        locks = stack.enter_context(lock_instruments(addresses_of(station)))
        log = None
        if station.traffic_log is not None:
            log = open_traffic_log(workplace.folder / station.traffic_log.file)
            stack.callback(log.close)
        hand_resource = ""
        if station.simulation is not None:
            hand_resource = station.simulation.hand or ""
            if station.simulation.bench is not None:
                bench_path = workplace.folder / station.simulation.bench
                addresses, description = _start_bench(
                    stack, bench_path, station.simulation.seed, goes_on
                )
                hand_resource = addresses["hand"]
        opening = _Opening(workplace, addresses, log)
        hand: Hand | None = None
        clock: Clock = SteadyClock(not_before)
        instruments: list[dict[str, str]] = []
        if hand_resource:
            hand = Hand(Link(hand_resource))
            stack.callback(hand.close)
            identity = hand.open()
            instruments.append(_instrument("simulated hand", hand_resource, identity))
            clock = simulated_clock(hand)
            if math.isfinite(not_before):
                hand.advance_to(not_before)
        bench_start = goes_on if addresses else None
        if hand is not None and addresses and goes_on is None:
            bench_start = BenchStart(hand.started(), 1)
        switch = None
        if station.switch is not None:
            switch = opening.switch()
            stack.callback(switch.close)
        thermometer = None
        if station.thermometer is not None:
            thermometer = opening.thermometer()
            stack.callback(thermometer.close)
        source = opening.source(clock)
        # a bench that was started here ends with this process, so nobody needs to watch over it
        guard = None if addresses else _guard(stack, source, station, locks)
        stack.callback(_close_safely, source, guard, stop)
        source.open()
        if switch is not None:
            switch.open()
        if thermometer is not None:
            thermometer.open()
        instruments = [
            *source.instruments(),
            *(switch.instruments() if switch else ()),
            *(thermometer.instruments() if thermometer else ()),
            *instruments,
        ]
        yield ConnectedStation(
            source,
            switch,
            hand,
            clock,
            tuple(instruments),
            description,
            locks,
            thermometer,
            bench_start,
            tuple(opening.links),
        )


def addresses_of(station: Station) -> list[str]:
    """VISA addresses of a station's instruments; a bench that is started for it has none yet."""
    hand = station.simulation.hand if station.simulation is not None else None
    stated = [table.resource for table in station.instruments().values()]
    return [resource for resource in (*stated, hand) if resource is not None]


@dataclass(frozen=True)
class _Opening:
    """What is needed to reach the instruments of a station."""

    workplace: Workplace
    addresses: Mapping[str, str]
    log: TrafficLog | None
    links: list[Link] = field(default_factory=list)
    """Those that were made."""

    def source(self, clock: Clock) -> InstrumentSource:
        """The source of sweeps, not opened yet."""
        station = self.workplace.station
        ceiling_dbm = station.maximum_power_dbm
        if station.analyzer is not None:
            network = dialect_of(self.workplace, "analyzer", NetworkAnalyzerDialect)
            return NetworkAnalyzer(
                self._link("analyzer", network),
                network,
                maximum_power_dbm=ceiling_dbm,
                traces=station.analyzer.traces,
                clock=clock,
            )
        if station.spectrum_analyzer is not None:
            spectrum = dialect_of(self.workplace, "spectrum_analyzer", SpectrumAnalyzerDialect)
            link = self._link("spectrum_analyzer", spectrum)
            return TrackingSource(
                TrackingSpectrumAnalyzer(link, spectrum, maximum_power_dbm=ceiling_dbm, clock=clock)
            )
        if station.power_meter is None:
            raise AssertionError("a checked station has one set-up")
        generator = dialect_of(self.workplace, "generator", SignalGeneratorDialect)
        meter = dialect_of(self.workplace, "power_meter", PowerMeterDialect)
        return SteppedSource(
            SignalGenerator(
                self._link("generator", generator), generator, maximum_power_dbm=ceiling_dbm
            ),
            PowerMeter(
                self._link("power_meter", meter),
                meter,
                floor_dbm=station.power_meter.noise_floor_dbm,
            ),
            settling_s=station.power_meter.settling_s,
            clock=clock,
        )

    def switch(self) -> SignalSwitch:
        """The switch, not opened yet."""
        dialect = dialect_of(self.workplace, "switch", SignalSwitchDialect)
        return SignalSwitch(self._link("switch", dialect), dialect)

    def thermometer(self) -> Thermometer:
        """The thermometer, not opened yet."""
        dialect = dialect_of(self.workplace, "thermometer", ThermometerDialect)
        return Thermometer(self._link("thermometer", dialect), dialect)

    def _link(self, role: str, dialect: Dialect) -> Link:
        stated = self.workplace.station.instruments()[role]
        link = Link(
            self.addresses[role] if stated.resource is None else stated.resource,
            timeout_s=stated.timeout_s,
            visa_library=stated.visa_library,
            wire=wire_settings(dialect),
            log=self.log,
        )
        self.links.append(link)
        return link


def _start_bench(
    stack: ExitStack, path: Path, seed: int | None, goes_on: BenchStart | None
) -> tuple[dict[str, str], str]:
    from drivers.simulated.launch import SimulatedBenchProcess

    first_started, number = (None, 1) if goes_on is None else goes_on
    process = stack.enter_context(
        SimulatedBenchProcess(path, seed=seed, first_started=first_started, start_number=number)
    )
    return process.addresses, path.read_text("utf-8")


def _instrument(role: str, resource: str, identity: str) -> dict[str, str]:
    return {"role": role, "resource": resource, "identity": identity}


def _guard(
    stack: ExitStack, source: InstrumentSource, station: Station, locks: InstrumentLocks
) -> Guard:
    """A process that switches RF off if this one is killed; it watches before RF can be on.

    It shares the locks, so that nobody else drives the instruments before it has done so.
    """
    link = source.source_link
    library = next(iter(station.instruments().values())).visa_library
    return stack.enter_context(
        Guard(
            link.resource,
            source.safe_commands,
            link.wire,
            visa_library=library,
            inherited=locks.guard_descriptors,
        )
    )


def _close_safely(source: InstrumentSource, guard: Guard | None, stop: StopSignals) -> None:
    """RF off, then closed; a stop signal waits. Where that fails, the guard tries as well."""
    with stop.shutting_down():
        try:
            source.close()
            if guard is not None:
                guard.dismiss()
        finally:
            if guard is not None:
                guard.close()
