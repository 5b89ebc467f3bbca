"""A station with its instruments connected: opened together, made safe and closed together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from drivers.dialect import (
    Dialect,
    NetworkAnalyzerDialect,
    PowerMeterDialect,
    SignalGeneratorDialect,
    SignalSwitchDialect,
    SpectrumAnalyzerDialect,
    load_dialect,
    wire_settings,
)
from drivers.errors import InputError
from drivers.guard import Guard
from drivers.hand import Hand
from drivers.link import Link
from drivers.network_analyzer import NetworkAnalyzer
from drivers.power_meter import PowerMeter
from drivers.signal_generator import SignalGenerator
from drivers.signal_switch import SignalSwitch
from drivers.spectrum_analyzer import TrackingSpectrumAnalyzer
from drivers.stepped_source import SteppedSource
from drivers.toml_file import Mistake, nearest, raise_mistakes
from drivers.tracking_source import TrackingSource
from drivers.traffic_log import TrafficLog, open_traffic_log
from harness.clock import Clock, simulated_clock, system_clock
from harness.interrupts import StopSignals
from harness.items import Workplace
from harness.station import Station

DialectT = TypeVar("DialectT", bound=Dialect)

SIMULATED = "Tareline,Simulated"
"""How the identities of simulated instruments begin."""

_DIALECTS: dict[str, type[Dialect]] = {
    "analyzer": NetworkAnalyzerDialect,
    "generator": SignalGeneratorDialect,
    "power_meter": PowerMeterDialect,
    "spectrum_analyzer": SpectrumAnalyzerDialect,
    "switch": SignalSwitchDialect,
}

InstrumentSource = NetworkAnalyzer | SteppedSource | TrackingSource
"""The sources of sweeps that a station can have."""


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

    @property
    def is_simulated(self) -> bool:
        """Whether any instrument is one, also where the station file does not say so."""
        return any(SIMULATED in instrument["identity"] for instrument in self.instruments)


def check_files(workplace: Workplace, items: Sequence[str], *, must_measure: bool = True) -> None:
    """Check what the station file names: its dialects, and its simulated bench with `items`.

    Raises:
        InputError: a file is missing or wrong, or the bench lacks an item or an instrument; or
            the station has no instruments, while it `must_measure`.
    """
    station = workplace.station
    if must_measure:
        _require_instruments(station)
    for role in station.instruments():
        _dialect(workplace, role, _DIALECTS[role])
    if station.simulation is not None and station.simulation.bench is not None:
        from drivers.simulated.description import read_description

        path = workplace.folder / station.simulation.bench
        description = read_description(path)
        there = list(description.items)
        mistakes = [
            Mistake(str(path), f"items.{item}", f"is not described; {nearest(item, there)}")
            for item in items
            if item not in there
        ]
        mistakes += [
            Mistake(str(path), role, "is not described, but the station has one: add its table")
            for role in station.instruments()
            if getattr(description, role) is None
        ]
        raise_mistakes(mistakes)


def _dialect(workplace: Workplace, role: str, model: type[DialectT]) -> DialectT:
    """The dialect of the station's table `role`."""
    name: str = getattr(workplace.station, role).dialect
    return load_dialect(name, model, relative_to=workplace.folder)


@contextmanager
def connect(workplace: Workplace, stop: StopSignals) -> Iterator[ConnectedStation]:
    """Open every instrument of a station; on the way out RF is off, whatever happened.

    Raises:
        InputError: a dialect or the bench description cannot be used.
        InstrumentError: an instrument cannot be reached or does not do as it is told.
    """
    station = workplace.station
    _require_instruments(station)
    description = ""
    addresses: dict[str, str] = {}
    with ExitStack() as stack:
        log = None
        if station.traffic_log is not None:
            log = open_traffic_log(workplace.folder / station.traffic_log.file)
            stack.callback(log.close)
        hand_resource = ""
        if station.simulation is not None:
            hand_resource = station.simulation.hand or ""
            if station.simulation.bench is not None:
                bench_path = workplace.folder / station.simulation.bench
                addresses, description = _start_bench(stack, bench_path, station.simulation.seed)
                hand_resource = addresses["hand"]
        opening = _Opening(workplace, addresses, log)
        hand, clock = None, system_clock
        instruments: list[dict[str, str]] = []
        if hand_resource:
            hand = Hand(Link(hand_resource))
            stack.callback(hand.close)
            identity = hand.open()
            instruments.append(_instrument("simulated hand", hand_resource, identity))
            clock = simulated_clock(hand)
        switch = None
        if station.switch is not None:
            switch = opening.switch()
            stack.callback(switch.close)
        source = opening.source(clock)
        # a bench that was started here ends with this process, so nobody needs to watch over it
        guard = None if addresses else _guard(stack, source, station)
        stack.callback(_close_safely, source, guard, stop)
        source.open()
        if switch is not None:
            switch.open()
        instruments = [
            *source.instruments(), *(switch.instruments() if switch else ()), *instruments,
        ]  # fmt: skip
        yield ConnectedStation(source, switch, hand, clock, tuple(instruments), description)


def _require_instruments(station: Station) -> None:
    if not station.instruments():
        raise InputError(
            "this station has no instruments to measure with: it is for recorded files",
            hint="tareline import --through A.s2p --item B.s2p --name ITEM, or give the station "
            "its instruments",
        )


@dataclass(frozen=True)
class _Opening:
    """What is needed to reach the instruments of a station."""

    workplace: Workplace
    addresses: Mapping[str, str]
    log: TrafficLog | None

    def source(self, clock: Clock) -> InstrumentSource:
        """The source of sweeps, not opened yet."""
        station = self.workplace.station
        ceiling_dbm = station.maximum_power_dbm
        if station.analyzer is not None:
            network = _dialect(self.workplace, "analyzer", NetworkAnalyzerDialect)
            return NetworkAnalyzer(
                self._link("analyzer", network),
                network,
                maximum_power_dbm=ceiling_dbm,
                traces=station.analyzer.traces,
                clock=clock,
            )
        if station.spectrum_analyzer is not None:
            spectrum = _dialect(self.workplace, "spectrum_analyzer", SpectrumAnalyzerDialect)
            link = self._link("spectrum_analyzer", spectrum)
            return TrackingSource(
                TrackingSpectrumAnalyzer(link, spectrum, maximum_power_dbm=ceiling_dbm, clock=clock)
            )
        if station.power_meter is None:
            raise AssertionError("a checked station has one set-up")
        generator = _dialect(self.workplace, "generator", SignalGeneratorDialect)
        meter = _dialect(self.workplace, "power_meter", PowerMeterDialect)
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
        dialect = _dialect(self.workplace, "switch", SignalSwitchDialect)
        return SignalSwitch(self._link("switch", dialect), dialect)

    def _link(self, role: str, dialect: Dialect) -> Link:
        stated = self.workplace.station.instruments()[role]
        return Link(
            self.addresses[role] if stated.resource is None else stated.resource,
            timeout_s=stated.timeout_s,
            visa_library=stated.visa_library,
            wire=wire_settings(dialect),
            log=self.log,
        )


def _start_bench(stack: ExitStack, path: Path, seed: int | None) -> tuple[dict[str, str], str]:
    from drivers.simulated.launch import SimulatedBenchProcess

    process = stack.enter_context(SimulatedBenchProcess(path, seed=seed))
    return process.addresses, path.read_text("utf-8")


def _instrument(role: str, resource: str, identity: str) -> dict[str, str]:
    return {"role": role, "resource": resource, "identity": identity}


def _guard(stack: ExitStack, source: InstrumentSource, station: Station) -> Guard:
    """A process that switches RF off if this one is killed; it watches before RF can be on."""
    link = source.source_link
    library = next(iter(station.instruments().values())).visa_library
    return stack.enter_context(
        Guard(link.resource, source.safe_commands, link.wire, visa_library=library)
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
