"""The simulated signal switch, declared as SCPI commands.

Commands by SCPI-99 volume 2 (ROUTe subsystem), from memory. Its channels are single relays:
any of them may be closed, side by side.
"""

from __future__ import annotations

from drivers.simulated.described.instrument_description import DescribedSwitch
from drivers.simulated.instruments.measurement import SETTLING_BIT
from drivers.simulated.physics.simulated_bench import SimulatedBench
from drivers.simulated.scpi import ChannelList, Command, Engine, Identity, Query


class SimulatedSwitch:
    """Closes and opens what lies between the leads."""

    def __init__(self, bench: SimulatedBench, table: DescribedSwitch, version: str) -> None:
        self._bench = bench
        self._table = table
        channels = ChannelList(int(name) for name in table.channels)
        self.engine = Engine(
            identity=Identity("Tareline", "Simulated signal switch", f"SIM-{bench.seed}", version),
            commands=[
                Command("[ROUTe]:CLOSe", self._close, (channels,)),
                Query("[ROUTe]:CLOSe", self._are_closed, (channels,)),
                Query("[ROUTe]:CLOSe:STATe", lambda: ChannelList().respond(bench.route)),
                Command("[ROUTe]:OPEN", self._open, (channels,)),
                Query("[ROUTe]:OPEN", self._are_open, (channels,)),
                Command("[ROUTe]:OPEN:ALL", self._open_all),
            ],
            reset=self.reset,
        )

    def reset(self) -> None:
        """The state after `*RST`: every channel open."""
        self._bench.route = ()

    def _are_closed(self, channels: tuple[int, ...]) -> tuple[bool, ...]:
        return tuple(channel in self._bench.route for channel in channels)

    def _are_open(self, channels: tuple[int, ...]) -> tuple[bool, ...]:
        return tuple(channel not in self._bench.route for channel in channels)

    def _close(self, channels: tuple[int, ...]) -> None:
        self._switch_to(tuple(dict.fromkeys((*self._bench.route, *channels))))

    def _open(self, channels: tuple[int, ...]) -> None:
        self._switch_to(tuple(c for c in self._bench.route if c not in channels))

    def _open_all(self) -> None:
        self._switch_to(())

    def _switch_to(self, route: tuple[int, ...]) -> None:
        if route == self._bench.route:
            return
        self._bench.route = route
        self._bench.pass_time(self._table.switching_time_s)
        duration_s = self._bench.description.pace * self._table.switching_time_s
        self.engine.begin(duration_s, operation_bit=SETTLING_BIT)
