"""The simulated bench as a process of its own: `python -m drivers.simulated BENCH.toml`.

The first line on standard output is a JSON object of VISA addresses by instrument. The
process ends when its standard input closes (with `--until-eof`), or on a signal.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
import sys
import time
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path

from drivers.errors import TarelineError
from drivers.simulated.analyzer import SimulatedAnalyzer
from drivers.simulated.bench import SimulatedBench
from drivers.simulated.description import BenchDescription, read_description
from drivers.simulated.hand import SimulatedHand
from drivers.simulated.server import serve

HOST = "127.0.0.1"


async def run(
    description: BenchDescription, *, seed: int | None, epoch: float, until_eof: bool
) -> None:
    """Serve a bench until told to stop; reports the addresses first."""
    bench = SimulatedBench(description, seed)
    software = version("tareline")
    engines = {
        "analyzer": SimulatedAnalyzer(bench, software).engine,
        "hand": SimulatedHand(bench, software, epoch).engine,
    }
    server = await serve(engines, host=HOST)
    addresses = {name: f"TCPIP0::{HOST}::{port}::SOCKET" for name, port in server.ports.items()}
    print(json.dumps(addresses), flush=True)
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    if until_eof:
        loop.run_in_executor(None, lambda: (sys.stdin.read(), loop.call_soon_threadsafe(stop.set)))
    await stop.wait()
    await server.close()


def main() -> int:
    """Read the description and serve it; exit status as everywhere in Tareline."""
    parser = argparse.ArgumentParser(prog="python -m drivers.simulated", description=__doc__)
    parser.add_argument("description", type=Path)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--pace", type=float)
    parser.add_argument("--until-eof", action="store_true")
    options = parser.parse_args()
    try:
        description = read_description(options.description)
    except TarelineError as error:
        print(error, file=sys.stderr)
        return error.exit_status
    if options.pace is not None:
        description = description.model_copy(update={"pace": options.pace})
    with suppress(KeyboardInterrupt):
        asyncio.run(
            run(description, seed=options.seed, epoch=time.time(), until_eof=options.until_eof)
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
