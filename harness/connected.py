"""A station with its instruments connected: opened together, made safe and closed together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from drivers.dialect import load_dialect
from drivers.hand import Hand
from drivers.link import Link
from drivers.network_analyzer import NetworkAnalyzer
from drivers.toml_file import Mistake, nearest, raise_mistakes
from harness.clock import Clock, simulated_clock, system_clock
from harness.interrupts import StopSignals
from harness.items import Workplace

SIMULATED = "Tareline,Simulated"
"""How the identities of simulated instruments begin."""


@dataclass(frozen=True)
class ConnectedStation:
    """Open instruments; valid within `connect`."""

    analyzer: NetworkAnalyzer
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


def check_files(workplace: Workplace, items: Sequence[str]) -> None:
    """Check what the station file names: its dialect, and its simulated bench with `items`.

    Raises:
        InputError: a file is missing or wrong, or the bench lacks an item.
    """
    station = workplace.station
    load_dialect(station.analyzer.dialect, relative_to=workplace.folder)
    if station.simulation is not None and station.simulation.bench is not None:
        from drivers.simulated.description import read_description

        path = workplace.folder / station.simulation.bench
        there = list(read_description(path).items)
        raise_mistakes(
            [
                Mistake(str(path), f"items.{item}", f"is not described; {nearest(item, there)}")
                for item in items
                if item not in there
            ]
        )


@contextmanager
def connect(workplace: Workplace, stop: StopSignals) -> Iterator[ConnectedStation]:
    """Open every instrument of a station; on the way out RF is off, whatever happened.

    Raises:
        InputError: the dialect or the bench description cannot be used.
        InstrumentError: an instrument cannot be reached or does not do as it is told.
    """
    station = workplace.station
    stated = station.analyzer
    dialect = load_dialect(stated.dialect, relative_to=workplace.folder)
    resource, hand_resource, description = stated.resource, "", ""
    with ExitStack() as stack:
        if station.simulation is not None:
            hand_resource = station.simulation.hand or ""
            if station.simulation.bench is not None:
                bench_path = workplace.folder / station.simulation.bench
                addresses, description = _start_bench(stack, bench_path, station.simulation.seed)
                resource, hand_resource = addresses["analyzer"], addresses["hand"]
        if resource is None:
            raise AssertionError("a checked station has a resource or a simulated bench")
        hand = None
        instruments = []
        if hand_resource:
            hand = Hand(_link(hand_resource, workplace))
            stack.callback(hand.close)
            instruments.append(_instrument("simulated hand", hand_resource, hand.open()))
        clock = system_clock if hand is None else simulated_clock(hand)
        analyzer = NetworkAnalyzer(
            _link(resource, workplace),
            dialect,
            maximum_power_dbm=stated.maximum_power_dbm,
            clock=clock,
        )
        stack.callback(_close_safely, analyzer, stop)
        instruments.insert(0, _instrument("network analyzer", resource, analyzer.open()))
        yield ConnectedStation(analyzer, hand, clock, tuple(instruments), description)


def _start_bench(stack: ExitStack, path: Path, seed: int | None) -> tuple[dict[str, str], str]:
    from drivers.simulated.launch import SimulatedBenchProcess

    process = stack.enter_context(SimulatedBenchProcess(path, seed=seed))
    return process.addresses, path.read_text("utf-8")


def _link(resource: str, workplace: Workplace) -> Link:
    stated = workplace.station.analyzer
    return Link(resource, timeout_s=stated.timeout_s, visa_library=stated.visa_library)


def _instrument(role: str, resource: str, identity: str) -> dict[str, str]:
    return {"role": role, "resource": resource, "identity": identity}


def _close_safely(analyzer: NetworkAnalyzer, stop: StopSignals) -> None:
    """RF off, then closed; a stop signal waits."""
    with stop.shutting_down():
        analyzer.close()
