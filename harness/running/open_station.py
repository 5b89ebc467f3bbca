"""A station with its instruments connected, and what it gives to a bench and to a run's header."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from drivers.errors import InstrumentError
from drivers.stop_signals import StopSignals
from harness.bench.connection_judge import ConnectionJudge
from harness.bench.equipment import Equipment, Exchange, Progress
from harness.bench.storing import Journal
from harness.connections.operator_terminal import OperatorTerminal
from harness.connections.typed_lines import TypedLines
from harness.run_file.earlier_zeros import earlier_zeros
from harness.running.connected import ConnectedStation
from harness.running.connection_statements import judge_of
from harness.running.new_run import Origin
from harness.station.items import Item, Workplace
from harness.station.zero_allowance import settling_db


@dataclass(frozen=True)
class OpenStation:
    """A station with its instruments connected, on which item after item can be measured."""

    workplace: Workplace
    connected: ConnectedStation
    stop: StopSignals
    terminal: OperatorTerminal = field(default_factory=lambda: OperatorTerminal(TypedLines()))
    """One for all items, since what is piped may hold the answers for several."""

    @contextmanager
    def shutting_down(self, why: str) -> Iterator[str]:
        """RF off first, then the section, which gets `why` and what was wrong with that; a
        second signal waits until RF is off.

        Raises:
            InstrumentError: RF may be on, which matters more than whatever the section raises.
        """
        with self.stop.shutting_down():
            trouble: InstrumentError | None = None
            try:
                with self.stop.making_safe():
                    self.connected.source.make_safe()
            except InstrumentError as error:
                trouble = error
                why = f"{why}; {error.what}"
            try:
                yield why
            finally:
                if trouble is not None:
                    raise trouble

    def origin(self) -> Origin:
        """Where its readings come from."""
        connected = self.connected
        return Origin(
            self.workplace.station,
            connected.instruments,
            connected.is_simulated,
            connected.simulated_bench,
        )

    def judge(self, item_of: Callable[[str], Item]) -> ConnectionJudge:
        """What judges its connections; `item_of` is what is known of an item by name."""
        station = self.workplace.station
        grids = {band: station.settings(band).frequency_hz() for band in station.bands}
        instruments = self.connected.instruments
        earlier = earlier_zeros(station, self.workplace.folder, grids, instruments)
        return judge_of(station, item_of, earlier)

    def equipment(self, exchange: Exchange, journal: Journal, progress: Progress) -> Equipment:
        """What a bench works with on it."""
        connected, station = self.connected, self.workplace.station
        thermometer = connected.thermometer
        return Equipment(
            source=connected.source,
            exchange=exchange,
            journal=journal,
            progress=progress,
            clock=connected.clock,
            unbroken=self.stop.deferred,
            floor_db=station.floor_db,
            settling_db=settling_db(station),
            oldest_zero_s=station.zero.oldest_s,
            wait_until=connected.wait_until,
            temperature_c=None if thermometer is None else thermometer.read_c,
        )
