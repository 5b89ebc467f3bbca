"""Serves every simulated instrument of unlike commands, as a process of its own.

It lives until its standard input closes; the first line that it writes is a JSON object of their
VISA addresses.
"""

import asyncio
import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from drivers.simulated.serving.server import serve
from tests.drivers.unlike import Listed, centre_span, plain_text
from tests.drivers.unlike_scalar import Stepped, Tracking, kelvin, turret

MODULE = "tests.drivers.unlike_bench"


@contextmanager
def unlike_bench() -> Iterator[dict[str, str]]:
    """Serves while it is entered; the addresses by name."""
    with subprocess.Popen(
        [sys.executable, "-m", MODULE],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=Path(__file__).parents[2],
    ) as process:
        assert process.stdout is not None
        yield json.loads(process.stdout.readline())


async def main():
    stepped = Stepped()
    engines = {
        "centre-span": centre_span(),
        "plain-text": plain_text(),
        "listed": Listed().engine,
        "hundredths": stepped.generator,
        "text-meter": stepped.meter,
        "volts": Tracking().engine,
        "turret": turret(),
        "kelvin": kelvin(),
    }
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()

    def await_end():
        sys.stdin.read()
        loop.call_soon_threadsafe(ended.set)

    async with await serve(engines) as server:
        addresses = {n: f"TCPIP0::127.0.0.1::{p}::SOCKET" for n, p in server.ports.items()}
        print(json.dumps(addresses), flush=True)
        threading.Thread(target=await_end, daemon=True).start()
        await ended.wait()


if __name__ == "__main__":
    asyncio.run(main())
