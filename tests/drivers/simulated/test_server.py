"""The TCP server: pieces, floods, overruns, several connections, connections that vanish."""

import asyncio
import random
import socket
from collections.abc import Iterator

import pytest

from drivers.simulated.scpi import Command, Engine, Identity, Query
from drivers.simulated.server import serve

IDENTIFIED = b"Tareline,Simulated specimen,SIM-0,0.1.0\n"


class Client:
    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=10)
        self.stream = self.socket.makefile("rb")

    def send(self, data: bytes) -> None:
        self.socket.sendall(data)

    def ask(self, data: bytes) -> bytes:
        self.send(data)
        return self.stream.readline()

    def close(self) -> None:
        self.stream.close()
        self.socket.close()


@pytest.fixture
def client(served) -> Iterator[Client]:
    opened = Client(served.ports["specimen"])
    yield opened
    opened.close()


def test_byte_by_byte(client) -> None:
    for byte in b"FREQ:STAR 2 GHZ;STA":
        client.send(bytes([byte]))
    assert client.ask(b"R?\r\n") == b"2.0E+09\n"


def test_many_messages_at_once(client) -> None:
    client.send(b"*IDN?\n" * 1000 + b"*OPC?\n")
    assert [client.stream.readline() for _ in range(1000)] == [IDENTIFIED] * 1000
    assert client.stream.readline() == b"1\n"


def test_block_in_pieces(client) -> None:
    client.send(b"MEM:STOR #3300" + b"\n" * 150)
    client.send(b";" * 150 + b"\nMEM:STOR?\n")
    assert client.stream.read(306) == b"#3300" + b"\n" * 150 + b";" * 150 + b"\n"


@pytest.mark.parametrize(
    "flood", [b"x" * 20_000 + b"\n", b"MEM:STOR #800099999" + b"y" * 99_999 + b"\n"]
)
def test_input_buffer_overrun(client, flood: bytes) -> None:
    client.send(flood)
    assert client.ask(b"SYST:ERR?\n").startswith(b'-363,"Input buffer overrun')
    assert client.ask(b"*IDN?\n") == IDENTIFIED
    assert client.ask(b"SYST:ERR?\n") == b'0,"No error"\n'


def test_any_bytes_over_the_socket(client) -> None:
    source = random.Random(1999)
    for _ in range(500):
        noise = source.randbytes(source.randrange(1, 60)).replace(b"#", b"$")
        client.send(noise + b"\n*CLS\n")  # the queue never fills, responses may have come
    client.send(b"*IDN?\n")
    line = client.stream.readline()
    while line and line != IDENTIFIED:
        line = client.stream.readline()
    assert line == IDENTIFIED
    assert client.ask(b"SYST:ERR?\n") == b'0,"No error"\n'


def test_what_follows_a_held_message_waits(client, served, specimen) -> None:
    specimen.sweep_s = 3600.0
    other = Client(served.ports["specimen"])
    client.send(b"INIT;*OPC?\nFREQ:STAR 5E9\nFREQ:STAR?\n")
    while other.ask(b"STAT:OPER:COND?\n") != b"8\n":
        pass
    assert other.ask(b"FREQ:STAR?\n") == b"1.0E+09\n"
    other.send(b"ABOR\n")
    assert client.stream.readline() == b"1\n"
    assert client.stream.readline() == b"5.0E+09\n"
    other.close()


def test_a_dropped_connection_ends_its_wait(client, served, specimen) -> None:
    specimen.sweep_s = 3600.0
    client.send(b"INIT;*WAI;:FREQ:STAR 5E9\nFREQ:STAR 6E9\n")
    other = Client(served.ports["specimen"])
    while other.ask(b"STAT:OPER:COND?\n") != b"8\n":
        pass
    client.socket.shutdown(socket.SHUT_WR)
    assert client.stream.readline() == b""  # the server closed: the wait is over
    other.send(b"ABOR\n")
    assert other.ask(b"FREQ:STAR?\n") == b"1.0E+09\n"  # nothing after *WAI was executed
    other.close()


def test_what_was_sent_before_the_end_is_answered(client) -> None:
    client.send(b"*IDN?\n" * 100 + b"*TST?")
    client.socket.shutdown(socket.SHUT_WR)
    assert client.stream.read() == IDENTIFIED * 100  # a message without terminator is no message


@pytest.mark.parametrize("before", [0, 1000])
def test_a_wait_after_the_end_is_given_up(client, specimen, before: int) -> None:
    # with much to do before it, the end of the connection is known when the wait begins
    specimen.sweep_s = 3600.0
    client.send(b"*CLS\n" * before + b"INIT\n*TST?\n*OPC?\n*TST?\n")
    client.socket.shutdown(socket.SHUT_WR)
    assert client.stream.read() == b"0\n"


def test_a_slow_reader_is_waited_for_and_loses_nothing(client, served, specimen) -> None:
    formed = []
    response = bytes(range(11, 251)) * 400
    specimen.engine.add([Query("BIG", lambda: formed.append(1) or response)])
    client.send(b"BIG?\n" * 400)
    other = Client(served.ports["specimen"])
    for _ in range(20):
        assert other.ask(b"*IDN?\n") == IDENTIFIED
    assert 0 < len(formed) < 400  # the rest is not formed until there is room for it
    other.close()
    for _ in range(400):
        assert client.stream.readline() == response + b"\n"
    assert client.ask(b"*IDN?\n") == IDENTIFIED


def test_instruments_have_ports_of_their_own() -> None:
    def cut() -> None:
        raise ConnectionAbortedError("cable pulled")

    async def run() -> None:
        engines = {
            name: Engine(Identity("Tareline", name), [Command("CUT", cut)]) for name in ("A", "B")
        }
        async with await serve(engines) as server:
            assert len(set(server.ports.values())) == 2
            for name, port in server.ports.items():
                reader, writer = await asyncio.open_connection("127.0.0.1", port)
                writer.write(b"*IDN?\n")
                assert await reader.readline() == f"Tareline,{name},0,0\n".encode()
                writer.write(b"*TST?\nCUT\n")
                assert await reader.read() == b"0\n"
                writer.close()
                await writer.wait_closed()
        with pytest.raises(ConnectionError):
            await asyncio.open_connection("127.0.0.1", server.ports["A"])

    asyncio.run(run())


def test_loopback_only() -> None:
    with pytest.raises(ValueError, match="loopback only"):
        asyncio.run(serve({}, host="0.0.0.0"))
