"""What the simulated bench costs: `python -m tests.benchmarks.simulated_bench`.

Medians of one run, interleaved, as ratios against a named baseline. The aim: a sweep of 201
points with sweep time zero costs the server less than its client's reading of it costs the
client, so that the bench is never what a simulated run waits for.
"""

from __future__ import annotations

import asyncio
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pyvisa

from drivers.simulated.described.bench_description import BenchDescription, read_description
from drivers.simulated.instruments.described_instruments import instruments_of
from drivers.simulated.launch import SimulatedBenchProcess
from drivers.simulated.physics.simulated_bench import SimulatedBench
from drivers.simulated.scpi import Engine
from harness.station.starter_files import write_starter

ROUNDS = 200
CONNECTIONS = 20
POINTS = 201
ITEM = "PIG-0451"
TRACES = ("S11", "S21", "S12", "S22")
CONFIGURE = (
    f"*RST;*CLS;:FORM REAL,64;:SENS:FREQ:STAR 2.4 GHZ;STOP 2.4835 GHZ;:SENS:SWE:POIN {POINTS};"
    ":OUTP:STAT ON"
)
SWEEP = "INIT:IMM;*OPC?"


class Server:
    """The engines in this process, with messages handed to them directly."""

    def __init__(self, description: BenchDescription, runner: asyncio.Runner) -> None:
        self._runner = runner
        self._engines = instruments_of(SimulatedBench(description), "0", 0.0)
        self.tell("hand", f'CONN:ITEM "{ITEM}"')
        self.tell("analyzer", CONFIGURE)

    def tell(self, name: str, *messages: str) -> list[bytes]:
        """Execute messages; returns the answers."""
        return self._runner.run(_handle_all(self._engines[name], messages))

    def cost_s(self, name: str, *messages: str) -> float:
        """Seconds that the engine takes for messages, without any wire."""
        return self._runner.run(_time_all(self._engines[name], messages))


async def _handle_all(engine: Engine, messages: tuple[str, ...]) -> list[bytes]:
    return [await engine.handle(message.encode()) for message in messages]


async def _time_all(engine: Engine, messages: tuple[str, ...]) -> float:
    begin = time.perf_counter()
    for message in messages:
        await engine.handle(message.encode())
    return time.perf_counter() - begin


def _client(resource: str, manager: pyvisa.ResourceManager) -> Callable[[], tuple[float, float]]:
    """A client in this process of a bench in another; each call makes and reads one sweep.

    Returns its seconds by the clock (the server's are in them) and of its own processor time.
    """
    visa: Any = manager.open_resource(resource, read_termination="\n", write_termination="\n")
    visa.timeout = 20_000.0
    visa.write(CONFIGURE)

    def read_sweep() -> tuple[float, float]:
        begin, own = time.perf_counter(), time.process_time()
        visa.query(SWEEP)
        for trace in TRACES:
            visa.query_binary_values(
                f"TRAC? {trace}", datatype="d", is_big_endian=True, container=np.array
            )
        return time.perf_counter() - begin, time.process_time() - own

    return read_sweep


def main() -> None:
    """Measure and print."""
    queries = [f"TRAC? {trace}" for trace in TRACES]
    manager = pyvisa.ResourceManager("@py")
    with tempfile.TemporaryDirectory() as folder, asyncio.Runner() as runner:
        write_starter(Path(folder))
        path = Path(folder) / "simulated-bench.toml"
        server = Server(read_description(path), runner)
        with SimulatedBenchProcess(path) as process:
            hand: Any = manager.open_resource(
                process.addresses["hand"], read_termination="\n", write_termination="\n"
            )
            hand.query(f'CONN:ITEM "{ITEM}";*OPC?')
            read_sweep = _client(process.addresses["analyzer"], manager)
            read_sweep()
            rounds = [
                (server.cost_s("analyzer", SWEEP, *queries), *read_sweep()) for _ in range(ROUNDS)
            ]
        # a connection of its own each time: the physics anew, then the noise only
        pairs = []
        for _ in range(CONNECTIONS):
            server.tell("hand", f'CONN:ITEM "{ITEM}"')
            pairs.append(tuple(server.cost_s("analyzer", SWEEP) for _ in range(2)))
        known_s = median(server.cost_s("analyzer", "*IDN?") for _ in range(ROUNDS))
    manager.close()
    server_s, client_s, client_own_s = (median(column) for column in zip(*rounds, strict=True))
    first_s, repeated_s = (median(column) for column in zip(*pairs, strict=True))
    print(f"simulated bench, {POINTS} points, sweep time zero, medians of {ROUNDS}")
    print(f"  server, sweep and four traces        {1e6 * server_s:8.0f} us")
    print(f"  client through PyVISA, processor     {1e6 * client_own_s:8.0f} us")
    print(f"  client through PyVISA, by the clock  {1e6 * client_s:8.0f} us")
    print(f"  server / client's processor time     {server_s / client_own_s:8.2f}    (aim: < 1)")
    print(f"  server / client by the clock         {server_s / client_s:8.2f}")
    print(f"  first sweep after a connection       {1e6 * first_s:8.0f} us")
    print(f"  the same repeated (noise only)       {1e6 * repeated_s:8.0f} us")
    print(f"  first / repeated                     {first_s / repeated_s:8.1f}")
    print(f"  *IDN? in the engine                  {1e6 * known_s:8.1f} us")


if __name__ == "__main__":
    main()
