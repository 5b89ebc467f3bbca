"""A station with its instruments connected: opened together, made safe and closed together."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field

from drivers.instruments.hand import Hand
from drivers.instruments.signal_switch import SignalSwitch
from drivers.instruments.thermometer import Thermometer
from drivers.link.guard import Guard
from drivers.link.link import Link
from drivers.link.traffic_log import open_traffic_log
from drivers.stop_signals import StopSignals
from harness.bench.clock import Clock, SteadyClock, simulated_clock, wait_until
from harness.running.bench_start import BenchStart
from harness.running.instrument_roles import InstrumentSource, station_instruments
from harness.running.locks import InstrumentLocks, lock_instruments
from harness.running.station_check import require_instruments
from harness.station.items import Workplace
from harness.station.station import Station

SIMULATED = "Tareline,Simulated"
"""How the identities of simulated instruments begin."""


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
    with ExitStack() as stack:
        locks = stack.enter_context(lock_instruments(addresses_of(station)))
        log = None
        if station.traffic_log is not None:
            log = open_traffic_log(workplace.folder / station.traffic_log.file)
            stack.callback(log.close)
        simulation = _simulation(stack, workplace, goes_on, not_before)
        clock: Clock = SteadyClock(not_before)
        if simulation.hand is not None:
            clock = simulated_clock(simulation.hand)
        made = station_instruments(workplace, simulation.addresses, log, clock)
        others = [each for each in (made.switch, made.thermometer) if each is not None]
        for each in others:
            stack.callback(each.close)
        # a bench that was started here ends with this process, so nobody needs to watch over it
        guard = None if simulation.addresses else _guard(stack, made.source, station, locks)
        stack.callback(_close_safely, made.source, guard, stop)
        opened: list[InstrumentSource | SignalSwitch | Thermometer] = [made.source, *others]
        for instrument in opened:
            instrument.open()
        instruments = [each for instrument in opened for each in instrument.instruments()]
        yield ConnectedStation(
            source=made.source,
            switch=made.switch,
            hand=simulation.hand,
            clock=clock,
            instruments=(*instruments, *simulation.instruments),
            simulated_bench=simulation.description,
            locks=locks,
            thermometer=made.thermometer,
            bench_start=simulation.start,
            links=made.links,
        )


def addresses_of(station: Station) -> list[str]:
    """VISA addresses of a station's instruments; a bench that is started for it has none yet."""
    hand = station.simulation.hand if station.simulation is not None else None
    stated = [table.resource for table in station.instruments().values()]
    return [resource for resource in (*stated, hand) if resource is not None]


@dataclass(frozen=True)
class _Simulation:
    """The simulated side of a station; empty where everything is real."""

    hand: Hand | None = None
    instruments: tuple[dict[str, str], ...] = ()
    addresses: Mapping[str, str] = field(default_factory=dict)
    """By role, of a bench that was started here."""
    description: str = ""
    start: BenchStart | None = None


def _simulation(
    stack: ExitStack, workplace: Workplace, goes_on: BenchStart | None, not_before: float
) -> _Simulation:
    """Start the simulated bench, where the station names one, and meet its hand."""
    stated = workplace.station.simulation
    if stated is None:
        return _Simulation()
    addresses: Mapping[str, str] = {}
    description, resource = "", stated.hand or ""
    if stated.bench is not None:
        from drivers.simulated.launch import SimulatedBenchProcess

        path = workplace.folder / stated.bench
        first_started, number = (None, 1) if goes_on is None else goes_on
        process = stack.enter_context(
            SimulatedBenchProcess(
                path, seed=stated.seed, first_started=first_started, start_number=number
            )
        )
        addresses, description = process.addresses, path.read_text("utf-8")
        resource = addresses["hand"]
    if not resource:
        return _Simulation()
    hand = Hand(Link(resource))
    stack.callback(hand.close)
    instrument = {"role": "simulated hand", "resource": resource, "identity": hand.open()}
    if math.isfinite(not_before):
        hand.advance_to(not_before)
    start = None
    if addresses:
        start = BenchStart(hand.started(), 1) if goes_on is None else goes_on
    return _Simulation(hand, (instrument,), addresses, description, start)


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
    with stop.making_safe():
        try:
            source.close()
            if guard is not None:
                guard.dismiss()
        finally:
            if guard is not None:
                guard.close()
