"""The simulated bench as a process of its own: `python -m drivers.simulated BENCH.toml`.

The first line on standard output is a JSON object of VISA addresses by instrument. The
process ends on a signal, or when its standard input closes (with `--until-eof`). Being told to
stop is how serving ends well: the exit status is then 0.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import signal
import sys
import threading
import time
from contextlib import ExitStack, suppress
from importlib.metadata import version
from pathlib import Path

from drivers.errors import TarelineError
from drivers.simulated.described.bench_description import BenchDescription, read_description
from drivers.simulated.faults.fault_commands import fault_commands
from drivers.simulated.faults.fault_layer import FaultLayer
from drivers.simulated.instruments.described_instruments import instruments_of
from drivers.simulated.physics.simulated_bench import SimulatedBench
from drivers.simulated.serving.server import serve
from drivers.simulated.serving.traffic import ServedTrafficLog, open_log, open_standard_error

HOST = "127.0.0.1"
STOP_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
STANDARD_ERROR = Path("-")
LATEST_START = 1e11
"""In Unix seconds: the year 5138."""


async def run(
    description: BenchDescription,
    *,
    source: str,
    seed: int | None,
    first_started: float,
    start_number: int,
    until_eof: bool,
    traffic: ServedTrafficLog | None,
) -> None:
    """Serve a bench until told to stop; reports the addresses first.

    `source` is what messages call the description, `first_started` the Unix time at which the
    bench's own clock begins, or began at its first start.

    Raises:
        InputError: a described fault cannot happen to any instrument of this bench.
    """
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in STOP_SIGNALS:
        loop.add_signal_handler(number, stop.set)
    bench = SimulatedBench(description, seed, start_number=start_number)
    engines = instruments_of(bench, version("tareline"), first_started)
    layer = FaultLayer(engines, bench.seed, traffic, start_number=start_number)
    layer.script(description.faults, description.random_faults, source)
    engines["hand"].add(fault_commands(layer))
    async with await serve(
        engines, host=HOST, between=layer.instruments, traffic=traffic
    ) as server:
        addresses = {name: f"TCPIP0::{HOST}::{port}::SOCKET" for name, port in server.ports.items()}
        print(json.dumps(addresses), flush=True)
        if until_eof:
            # a daemon, because a process that was told to stop need not wait for its input
            threading.Thread(target=_await_end_of_input, args=(loop, stop), daemon=True).start()
        await stop.wait()


def _await_end_of_input(loop: asyncio.AbstractEventLoop, stop: asyncio.Event) -> None:
    while os.read(sys.stdin.fileno(), 4096):
        pass
    with suppress(RuntimeError):  # the loop has ended already
        loop.call_soon_threadsafe(stop.set)


def main() -> int:
    """Read the description and serve it; exit status as everywhere in Tareline."""
    parser = argparse.ArgumentParser(prog="python -m drivers.simulated", description=__doc__)
    parser.add_argument("description", type=Path)
    parser.add_argument("--seed", type=int, help="instead of the one described, from 0 on")
    parser.add_argument("--pace", type=float, help="real seconds per simulated second, from 0 on")
    parser.add_argument(
        "--start-number",
        type=int,
        default=1,
        help="the how manieth start of this bench, from 1 on: other draws, the same bench",
    )
    parser.add_argument(
        "--first-started",
        type=float,
        metavar="UNIX_S",
        help="when its clock began, if this is not its first start",
    )
    parser.add_argument("--log", type=Path, help="traffic log, written anew; - is standard error")
    parser.add_argument("--until-eof", action="store_true")
    options = parser.parse_args()
    for name in ("seed", "pace"):
        if not (getattr(options, name) or 0) >= 0:
            parser.error(f"--{name} must not be negative")
    if options.start_number < 1:
        parser.error("--start-number must be 1 at least")
    first_started = time.time() if options.first_started is None else options.first_started
    if not 0.0 <= first_started < LATEST_START:
        parser.error("--first-started must be Unix seconds")
    try:
        description = read_description(options.description)
        if options.pace is not None:
            description = description.model_copy(update={"pace": options.pace})
        with ExitStack() as stack:
            traffic = None
            if options.log == STANDARD_ERROR:
                traffic = ServedTrafficLog(
                    stack.enter_context(open_standard_error()), "standard error"
                )
            elif options.log is not None:
                stream = open_log(options.log, but_not=[options.description])
                traffic = ServedTrafficLog(stack.enter_context(stream), str(options.log))
            asyncio.run(
                run(
                    description,
                    source=str(options.description),
                    seed=options.seed,
                    first_started=first_started,
                    start_number=options.start_number,
                    until_eof=options.until_eof,
                    traffic=traffic,
                )
            )
    except TarelineError as error:
        print(error, file=sys.stderr)
        return error.exit_status
    return 0


if __name__ == "__main__":
    sys.exit(main())
