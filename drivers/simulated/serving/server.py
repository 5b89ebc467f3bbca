"""A TCP server for simulated instruments: one loopback port each, raw SCPI (SOCKET resources).

A message ends with new line; definite blocks may hold new lines. Messages of one connection
are executed in turn; what arrives while one is held (by *OPC? or *WAI) waits in the input
buffer, and other connections are served; where the buffer is full and stays so, what comes is
discarded up to a new line, which is -363 (input buffer overrun). When a connection closes while
a message is held, the wait ends and nothing further of it is executed; what a closed connection
sent before is executed otherwise, except for a last message without its new line, which is
dropped. The end of a connection is its device clear (see the engine).

Between the wire and an instrument may stand an exchange of the caller's (the fault layer), which
says not only what is answered but how, and what then becomes of the connection.
"""

import asyncio
import ipaddress
import itertools
import logging
import socket
import struct
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from functools import partial
from typing import Final, Protocol, Self, cast

from drivers.simulated.scpi.framing import MessageReader
from drivers.simulated.serving.reply import Reply, Then
from drivers.simulated.serving.traffic import CONNECTION, RECEIVED, SENT, ServedTrafficLog

__all__ = ["ServedExchange", "ServedInstrument", "Server", "serve"]

log = logging.getLogger(__name__)

INPUT_BUFFER_OVERRUN: Final = -363
QUERY_INTERRUPTED: Final = -410
GRACE_S: Final = 0.2  # how long a full input buffer waits for a held message before it overruns
TURN: Final = 64  # messages of one connection before others get a turn


class _Described(Protocol):
    def post_error(self, number: int, detail: str = "") -> None:
        """Put an error into the instrument's queue."""
        ...

    def takes_block(self, before: bytes) -> bool:
        """Whether a block that follows `before` in a message is one that its command takes."""
        ...

    def device_clear(self, connection: int) -> None:
        """A connection has been closed: what the instrument keeps for it is forgotten."""
        ...


class ServedInstrument(_Described, Protocol):
    """What the server asks of an instrument; the SCPI engine is one."""

    async def handle(self, message: bytes, connection: int) -> bytes:
        """Execute a message (without its new line) and return the response, or nothing."""
        ...


class ServedExchange(_Described, Protocol):
    """What may stand between the wire and an instrument."""

    async def exchange(self, message: bytes, connection: int) -> Reply:
        """Have a message executed (without its new line) and say what goes back."""
        ...


class _Direct:
    """An instrument with nothing in between."""

    def __init__(self, instrument: ServedInstrument) -> None:
        self._instrument = instrument
        self.post_error = instrument.post_error
        self.takes_block = instrument.takes_block
        self.device_clear = instrument.device_clear

    async def exchange(self, message: bytes, connection: int) -> Reply:
        return Reply(await self._instrument.handle(message, connection))


class _Port:
    """What the connections to one instrument share."""

    def __init__(
        self,
        name: str,
        exchange: ServedExchange,
        input_limit: int,
        traffic: ServedTrafficLog | None,
    ) -> None:
        self.name = name
        self.exchange = exchange
        self.input_limit = input_limit
        self.traffic = traffic
        self.connections: set[_Connection] = set()
        self.numbers = itertools.count(1)


class _Connection(asyncio.Protocol):
    """One connection to one instrument."""

    def __init__(self, port: _Port) -> None:
        self._port = port
        self._number = next(port.numbers)
        self._reader = MessageReader(port.input_limit, port.exchange.takes_block)
        self._next: bytes | None = None
        self._withheld = b""
        self._arrived = asyncio.Event()
        self._writable = asyncio.Event()
        self._writable.set()
        self._is_held = False
        self._has_ended = False
        self._is_paused = False
        self._is_overrun = False
        self._discards_to_new_line = False
        self._watch: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.Transport, transport)
        self.transport.get_extra_info("socket").setsockopt(
            socket.IPPROTO_TCP, socket.TCP_NODELAY, 1
        )
        self._port.connections.add(self)
        self._log("opened")
        self.worker = asyncio.get_running_loop().create_task(self._work())

    def data_received(self, data: bytes) -> None:
        if self._is_overrun:
            data = self._not_discarded(data)
        self._reader.feed(data)
        if len(self._reader) > 2 * self._reader.limit and not self._is_paused:
            self._is_paused = True
            self.transport.pause_reading()
            self._watch_for_end()
        self._arrived.set()

    def _watch_for_end(self) -> None:
        """Who is not read from cannot be seen to hang up: do not leave it so for long."""
        if self._is_held and self._watch is None:
            self._watch = asyncio.get_running_loop().call_later(GRACE_S, self._overrun)

    def _overrun(self) -> None:
        """Go on reading, but discard what comes for as long as the message is held."""
        self._watch = None
        self._reader.drop_unfinished()
        self._is_overrun = self._discards_to_new_line = True
        self._port.exchange.post_error(INPUT_BUFFER_OVERRUN, "while a message was held")
        self._is_paused = False
        self.transport.resume_reading()

    def _not_discarded(self, data: bytes) -> bytes:
        if self._is_held:
            self._discards_to_new_line = not data.endswith(b"\n")
            return b""
        if self._discards_to_new_line:
            _, new_line, data = data.partition(b"\n")
            if not new_line:
                return b""
        self._is_overrun = False
        return data

    @contextmanager
    def _holding(self) -> Iterator[None]:
        """While this lasts, who hangs up ends it, and who floods overruns the input buffer."""
        self._is_held = True
        if self._is_paused:
            self._watch_for_end()
        yield
        self._is_held = False
        self._unwatch()

    def _unwatch(self) -> None:
        if self._watch is not None:
            self._watch.cancel()
            self._watch = None

    def eof_received(self) -> bool:
        self._end()
        return True  # the worker closes when it has answered what came before

    def connection_lost(self, exc: Exception | None) -> None:
        self._end()
        self._unwatch()
        self._writable.set()
        self._port.connections.discard(self)
        self._port.exchange.device_clear(self._number)
        self._reader.rest()
        self._withheld, self._next = b"", None
        self._log("closed")

    def pause_writing(self) -> None:
        self._writable.clear()

    def resume_writing(self) -> None:
        self._writable.set()

    def _end(self) -> None:
        self._has_ended = True
        if self._is_held:
            self.worker.cancel()
        self._arrived.set()

    async def _work(self) -> None:
        try:
            while not self.transport.is_closing():
                self._arrived.clear()
                await self._answer_all()
                if self._has_ended:
                    break
                await self._arrived.wait()
        except ConnectionError as loss:
            log.info("connection broken by the instrument: %s", loss)
            self.transport.abort()
        except TimeoutError:
            log.info("connection ended while its message was held")
        except Exception:
            log.exception("defect while serving a connection, which is closed")
            self.transport.abort()
        finally:
            self.transport.close()

    def reset(self) -> None:
        """Break the connection as an instrument does that loses power (TCP reset)."""
        linger_s = 0
        self.transport.get_extra_info("socket").setsockopt(
            socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, linger_s)
        )
        self.transport.abort()

    def _log(self, event: str) -> None:
        if self._port.traffic is not None:
            self._port.traffic.write(self._port.name, self._number, CONNECTION, event)

    def _log_message(self, direction: str, data: bytes) -> None:
        if self._port.traffic is not None:
            self._port.traffic.message(self._port.name, self._number, direction, data)

    async def _answer_all(self) -> None:
        count = 0
        while (message := self._next_message()) is not None:
            self._log_message(RECEIVED, message)
            with self._holding():
                # an ended connection may execute what it sent, but hold nothing up
                async with asyncio.timeout(0 if self._has_ended else None):
                    reply = await self._port.exchange.exchange(message, self._number)
            if self.transport.is_closing():
                return
            await self._send(reply)
            if self.transport.is_closing():
                return
            count += 1
            if count % TURN == 0:
                await asyncio.sleep(0)
        if self._is_paused and not self.transport.is_closing():
            self._is_paused = False
            self.transport.resume_reading()

    async def _send(self, reply: Reply) -> None:
        data = b""
        if reply.is_late:
            data, self._withheld = self._withheld, reply.data
        elif reply.data:
            data, self._withheld = self._withheld + reply.data, b""
        if data:
            self._log_message(SENT, data)
            if reply.piece:
                await self._drip(data, reply)
            else:
                self.transport.write(data)
                await self._writable.wait()
        if reply.then is Then.CLOSE:
            self.transport.close()
        elif reply.then is Then.RESET_ALL:
            for connection in list(self._port.connections):
                connection.reset()

    async def _drip(self, data: bytes, reply: Reply) -> None:
        with self._holding():  # who hangs up need not be sent the rest
            for start in range(0, len(data), reply.piece):
                if await self._message_within(reply.pause_s):
                    self._port.exchange.post_error(
                        QUERY_INTERRUPTED, f"{len(data) - start} bytes of a response were dropped"
                    )
                    return
                self.transport.write(data[start : start + reply.piece])

    async def _message_within(self, seconds: float) -> bool:
        """Wait, but not longer than until a message has arrived; return whether one has."""
        with suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                while self._next is None:
                    self._arrived.clear()
                    self._next = self._next_message()
                    if self._next is None:
                        await self._arrived.wait()
        return self._next is not None

    def _next_message(self) -> bytes | None:
        if self._next is not None:
            waiting, self._next = self._next, None
            return waiting
        message = self._reader.next_message()
        while self._reader.overruns:
            self._reader.overruns -= 1
            self._port.exchange.post_error(
                INPUT_BUFFER_OVERRUN, f"message of more than {self._reader.limit} bytes"
            )
        return message


class Server:
    """A running server; `ports` gives the TCP port of each instrument by name."""

    def __init__(self, listeners: Mapping[str, asyncio.Server], ports: Mapping[str, _Port]):
        self._listeners = dict(listeners)
        self._ports = dict(ports)
        self.ports: dict[str, int] = {
            name: listener.sockets[0].getsockname()[1] for name, listener in listeners.items()
        }

    async def close(self) -> None:
        """Stop listening and break every connection."""
        for listener in self._listeners.values():
            listener.close()
        connections = [each for port in self._ports.values() for each in port.connections]
        for connection in connections:
            connection.transport.abort()
            connection.worker.cancel()
        await asyncio.gather(*(c.worker for c in connections), return_exceptions=True)
        await asyncio.sleep(0)  # lets the transports report that they are closed
        for listener in self._listeners.values():
            await listener.wait_closed()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()


async def serve(
    engines: Mapping[str, ServedInstrument],
    host: str = "127.0.0.1",
    input_limit: int = 1 << 20,
    *,
    between: Mapping[str, ServedExchange] | None = None,
    traffic: ServedTrafficLog | None = None,
) -> Server:
    """Listen for each instrument on a free port of `host`, which must be a loopback address.

    `input_limit`: the longest message in bytes; a longer one is -363. `between`: what stands
    between the wire and instruments, by their names. `traffic`: where messages are logged.
    Raises ValueError for another address than loopback and OSError when it cannot be bound.
    """
    if not ipaddress.ip_address(host).is_loopback:
        raise ValueError(f"simulated instruments listen on loopback only, not on {host}")
    loop = asyncio.get_running_loop()
    exchanges = {name: _Direct(engine) for name, engine in engines.items()} | dict(between or {})
    ports = {
        name: _Port(name, exchange, input_limit, traffic) for name, exchange in exchanges.items()
    }
    listeners: dict[str, asyncio.Server] = {}
    try:
        for name, port in ports.items():
            listeners[name] = await loop.create_server(partial(_Connection, port), host, 0)
    except OSError:
        for listener in listeners.values():
            listener.close()
        raise
    return Server(listeners, ports)
