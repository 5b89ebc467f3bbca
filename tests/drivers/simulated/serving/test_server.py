"""The TCP server: pieces, floods, overruns, several connections, connections that vanish."""

import asyncio
import random
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.simulated.launch import SimulatedBenchProcess
from drivers.simulated.scpi import Command, Engine, Identity, Query
from drivers.simulated.serving.reply import Reply
from drivers.simulated.serving.server import serve
from harness.station.starter_files import write_starter

IDENTIFIED = b"Tareline,Simulated specimen,SIM-0,0.1.0\n"


class Client:
    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=60)
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


@pytest.mark.parametrize("line", [b"*IDN? #6900000", b"NO:SUCH #41000", b"X 1,#15", b"TRAC? #3999"])
def test_a_block_that_nobody_takes_swallows_nothing(client, line: bytes) -> None:
    client.send(line + b"\n*CLS\n")
    assert client.ask(b"*TST?\n") == b"0\n"


def test_a_block_is_taken_behind_other_units(client, specimen) -> None:
    client.send(b"FREQ:STAR 2 GHZ;:MEM:STOR #13\n\n\n;STOR #12\n;;*TST?\n")
    assert client.stream.readline() == b"0\n"
    assert specimen.values["STOR"] == b"\n;"


def test_hanging_up_is_noticed_behind_a_flood(client, served, specimen) -> None:
    specimen.sweep_s = 3600.0
    client.send(b"INIT;*OPC?\n" + b"*CLS\n" * 400_000)  # 2 MB, the input buffer holds 4096 bytes
    client.socket.shutdown(socket.SHUT_WR)
    assert client.stream.readline() == b""  # the wait is over though the sweep is not
    other = Client(served.ports["specimen"])
    assert other.ask(b"STAT:OPER:COND?\n") == b"8\n"
    assert other.ask(b"SYST:ERR?\n").startswith(b'-363,"Input buffer overrun')
    other.close()


@pytest.mark.long
def test_a_connection_goes_on_behind_an_overrun(client, served, specimen) -> None:
    specimen.sweep_s = 3600.0
    client.send(b"INIT;*OPC?\n" + b"*SRE 1\n" * 50_000 + b"FREQ:ST")
    other = Client(served.ports["specimen"])
    while not other.ask(b"SYST:ERR?\n").startswith(b"-363"):
        pass
    other.ask(b"ABOR;*TST?\n")
    assert client.stream.readline() == b"1\n"
    client.send(b"AR 5 GHZ\n")
    assert client.ask(b"*SRE?\n") == b"1\n"
    assert client.ask(b"SYST:ERR?\n") == b'0,"No error"\n'  # no message was torn
    other.close()


class Scripted:
    """An exchange that replies as it is told; messages without a reply are executed."""

    def __init__(self, engine: Engine, replies: dict[bytes, Reply]) -> None:
        self.engine = engine
        self.replies = replies
        self.post_error = engine.post_error
        self.takes_block = engine.takes_block
        self.device_clear = engine.device_clear

    async def exchange(self, message: bytes, connection: int) -> Reply:
        if message in self.replies:
            return self.replies[message]
        return Reply(await self.engine.handle(message, connection))


def talk(replies: dict[bytes, Reply], converse) -> None:
    async def run() -> None:
        engine = Engine(Identity("Tareline", "A"), [])
        async with await serve({"A": engine}, between={"A": Scripted(engine, replies)}) as server:
            reader, writer = await asyncio.open_connection("127.0.0.1", server.ports["A"])
            async with asyncio.timeout(20):
                await converse(reader, writer)
            writer.close()

    asyncio.run(run())


def test_a_message_interrupts_a_dripping_response() -> None:
    # IEEE 488.2 6.3.2.3 (INTERRUPTED), from memory
    async def converse(reader, writer) -> None:
        writer.write(b"DRIP?\n")
        await asyncio.sleep(0)
        writer.write(b"SYST:ERR?\n")
        answer = await reader.readline()
        assert answer.startswith(b'-410,"Query INTERRUPTED;')
        writer.write(b"*TST?\n")
        assert await reader.readline() == b"0\n"

    talk({b"DRIP?": Reply(b"x" * 1000, piece=1, pause_s=60.0)}, converse)


def test_late_answers_are_each_released_by_the_next() -> None:
    async def converse(reader, writer) -> None:
        for _ in range(3):
            writer.write(b"LATE?\n")
        assert [await reader.readline() for _ in range(2)] == [b"late\n"] * 2
        writer.write(b"*CLS\n*TST?\n")
        assert [await reader.readline() for _ in range(2)] == [b"late\n", b"0\n"]

    talk({b"LATE?": Reply(b"late\n", is_late=True)}, converse)


def test_a_late_answer_is_not_released_by_a_command() -> None:
    async def converse(reader, writer) -> None:
        writer.write(b"LATE?\n*CLS\n")
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.1):
                await reader.readline()

    talk({b"LATE?": Reply(b"late\n", is_late=True)}, converse)


@pytest.mark.parametrize(("who", "event"), [("own", b"0\n"), ("other", b"1\n")])
def test_closing_is_device_clear(served, specimen, who: str, event: bytes) -> None:
    """IEEE 488.2 12.5.2, from memory: operation complete idle state; only of who closed."""
    specimen.sweep_s = 3600.0
    first, second, third = (Client(served.ports["specimen"]) for _ in range(3))
    armed = first if who == "own" else second
    assert armed.ask(b"*CLS;:INIT;*OPC;*TST?\n") == b"0\n"
    first.send(b"FREQ:STAR 5 GHZ")  # unfinished: dropped
    first.socket.shutdown(socket.SHUT_WR)
    assert first.stream.read() == b""
    while len(served.server._ports["specimen"].connections) > 2:
        pass
    specimen.sweep_s = 0.0
    served.run(finish(specimen.engine))
    assert third.ask(b"*ESR?\n") == event
    assert third.ask(b"FREQ:STAR?\n") == b"1.0E+09\n"
    for each in (first, second, third):
        each.close()


async def finish(engine: Engine) -> None:
    engine.abort()


def resident_bytes(process: int) -> int:
    text = Path(f"/proc/{process}/status").read_text()
    return 1024 * int(text.partition("VmRSS:")[2].split()[0])


MESSAGES, BATCH, LARGEST_GROWTH = 20_000, 500, 64 << 20
WORDS = (
    b"*IDN?", b"*RST", b"*OPC?", b"*WAI", b"INIT", b"ABOR", b"FREQ:STAR", b"SENS:SWE:POIN", b"OUTP",
    b"SYST:ERR?", b"STAT:OPER?", b" ", b" ", b";", b";:", b",", b"11", b"2 GHZ", b"ON", b"#15",
    b"#6900000", b"#0", b"#9", b"\"", b"'", b"(@1", b"?", b"MAX", b"1 E 9", b"\n", b"\xff", b"\0",
)  # fmt: skip


def noise(source: random.Random) -> bytes:
    if source.random() < 0.5:
        return source.randbytes(source.randrange(60))
    return b"".join(source.choices(WORDS, k=source.randrange(1, 9)))


def until_identified(client: Client) -> None:
    client.send(b"\n*IDN?;*WAI\n*TST?\n")
    lines = [b"", client.stream.readline()]
    while not (lines[-1] == b"0\n" and lines[-2].startswith(b"Tareline,Simulated")):
        assert lines[-1], "the connection was closed"
        lines.append(client.stream.readline())


def test_it_answers_after_whatever_was_sent(tmp_path) -> None:
    source = random.Random(4882)
    write_starter(tmp_path)
    with SimulatedBenchProcess(tmp_path / "simulated-bench.toml") as process:
        ports = [int(each.split("::")[2]) for each in process.addresses.values()]
        before = 0
        for batch in range(MESSAGES // BATCH):
            port = ports[batch % len(ports)]
            client, fresh = Client(port), Client(port)
            client.send(b"\n".join(noise(source) for _ in range(BATCH)))
            until_identified(client)
            until_identified(fresh)
            client.close()
            fresh.close()
            if batch == 2 * len(ports):
                before = resident_bytes(process.process_id)  # everything is loaded by now
        assert resident_bytes(process.process_id) - before < LARGEST_GROWTH
