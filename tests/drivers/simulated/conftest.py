"""A small instrument with one command of every kind, in process and behind a loopback port."""

import asyncio
import threading
import tomllib
from collections.abc import Callable, Iterator, Mapping
from importlib.resources import files
from typing import Any

import numpy as np
import pytest
import pyvisa
from pyvisa.resources import MessageBasedResource

from drivers.simulated.described.bench_description import BenchDescription
from drivers.simulated.instruments.described_instruments import instruments_of
from drivers.simulated.physics.simulated_bench import SimulatedBench
from drivers.simulated.scpi import (
    MESSAGES,
    Block,
    Boolean,
    ChannelList,
    Choice,
    Command,
    Engine,
    Identity,
    Integer,
    Number,
    Query,
    Quoted,
    ScpiError,
    Text,
    setting,
)
from drivers.simulated.serving.server import Server, serve

IDENTITY = "Tareline,Simulated specimen,SIM-0,0.1.0"


class Specimen:
    """Remembers in `log` what was executed; `ask` executes one message in process."""

    def __init__(self) -> None:
        self.runner = asyncio.Runner()
        self.log: list[tuple[object, ...]] = []
        self.trace: object = np.array([1.0, -0.1])
        self.sweep_s = 0.0
        self.finished = 0
        self.reset()
        self.log.clear()
        self.engine = Engine(
            identity=Identity(*IDENTITY.split(",")), commands=self.commands(), reset=self.reset
        )

    def commands(self) -> Iterator[Command | Query]:
        def keep(name: str) -> Callable[[object], None]:
            return lambda value: (self.note(name, value), self.values.update({name: value}))[1]

        def fetch(name: str) -> Callable[[], object]:
            return lambda: self.values[name]

        def declare(pattern: str, parameter: object) -> tuple[Command, Query]:
            name = "".join(c for c in pattern.split(":")[-1] if c.isupper())
            return setting(pattern, parameter, get=fetch(name), set=keep(name))

        start = Number("HZ", minimum=3e5, maximum=lambda: 9e9, default=1e9)
        yield from declare("[SENSe]:FREQuency:STARt", start)
        yield from declare("[SENSe:]FREQuency:STOP", Number("HZ"))
        yield from declare("SOURce:POWer[:LEVel]:AMPLitude", Number("DBM", minimum=-60, maximum=10))
        yield from declare("SENSe:SWEep:TIME", Number("S"))
        yield from declare("SENSe:SWEep:POINts", Integer(minimum=2, maximum=1601, default=201))
        yield from declare("SOURce:CURRent", Number("A"))
        yield from declare("SENSe:RATio", Number())
        yield from declare("OUTPut[:STATe]", Boolean())
        yield from declare("TRIGger:SOURce", Choice("IMMediate", "BUS", "EXTernal"))
        yield from declare("SENSe:SLOPe", Choice({"POSitive": 1, "NEGative": -1}))
        yield from declare("DISPlay:TITLe", Text())
        yield from declare("MEMory:STORe", Block())
        yield from declare("ROUTe:CLOSe", ChannelList())
        yield Command("ROUTe:OPEN", self.noting("OPEN"), (ChannelList(range(101, 105)),))
        yield Command("SENSe:FUNCtion", self.noting("FUNC"), (Text(),), repeat_last=True)
        yield Command("CALCulate<n>:MARKer<m>", self.noting("MARK"), suffixes=((1, 4), (1, 9)))
        yield Command("SENSe:PAIR", self.noting("PAIR"), (Integer(), Integer()), optional=1)
        yield Query("TRACe[:DATA]", lambda _: self.trace, (Choice("S11", "S21"),))
        yield Query("MEASure[:SCALar]:CURRent[:DC]", lambda: 0.25)
        yield Query("SYSTem:NAME", lambda: Quoted('say "hello"'))
        yield Command("INITiate[:IMMediate]", self.initiate)
        yield Command("ABORt", lambda: self.engine.abort())
        yield Command("FAIL", self.fail, (Integer(minimum=-899, maximum=32767),))
        yield Query("DEFect", lambda: {"there": 1}["missing"])

    def note(self, *what: object) -> None:
        self.log.append(what)

    def noting(self, name: str) -> Callable[..., None]:
        return lambda *values: self.note(name, *values)

    def reset(self) -> None:
        self.note("*RST")
        self.values: dict[str, object] = {
            "STAR": 1e9, "STOP": 2e9, "AMPL": -10.0, "TIME": 1.0, "POIN": 201, "CURR": 0.0,
            "RAT": 1.0, "STAT": False, "OUTP": False, "SOUR": "IMM", "SLOP": 1, "TITL": "",
            "STOR": b"", "CLOS": (),
        }  # fmt: skip

    def initiate(self) -> None:
        self.engine.begin(self.sweep_s, self.finish)

    def finish(self) -> None:
        self.finished += 1

    def fail(self, number: int) -> None:
        raise ScpiError(number if number in MESSAGES or number > 0 else -200, "on purpose")

    def ask(self, message: bytes | str) -> bytes:
        data = message.encode("latin-1") if isinstance(message, str) else message
        return self.runner.run(self.engine.handle(data))

    def errors(self) -> list[int]:
        """The numbers in the error queue, oldest first; leaves it empty."""
        numbers = []
        while (number := int(self.ask("SYST:ERR?").split(b",")[0])) != 0:
            numbers.append(number)
        return numbers


class Background:
    """Serves engines from a thread with an event loop of its own."""

    def __init__(self, engines: Mapping[str, Engine], input_limit: int = 1 << 20) -> None:
        self.loop = asyncio.new_event_loop()
        self.thread = threading.Thread(target=self.loop.run_forever)
        self.thread.start()
        self.server: Server = self.run(serve(engines, input_limit=input_limit))
        self.ports = self.server.ports

    def run(self, coroutine):
        return asyncio.run_coroutine_threadsafe(coroutine, self.loop).result(10)

    def close(self) -> None:
        self.run(self.server.close())
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join()
        self.loop.close()


@pytest.fixture
def specimen() -> Iterator[Specimen]:
    built = Specimen()
    yield built
    built.runner.close()


@pytest.fixture(scope="module")
def shared_specimen() -> Iterator[Specimen]:
    """One for all examples of a property, which must leave it as they found it."""
    built = Specimen()
    yield built
    built.runner.close()


@pytest.fixture
def served(specimen: Specimen) -> Iterator[Background]:
    """The specimen behind a port: `served.ports["specimen"]`."""
    background = Background({"specimen": specimen.engine}, input_limit=4096)
    yield background
    background.close()


class Rig:
    """The instruments of a bench in process; `ask` executes one message, `link` goes by TCP."""

    def __init__(self, description: BenchDescription) -> None:
        self.description = description
        self.bench = SimulatedBench(description)
        self.engines = instruments_of(self.bench, "0.1.0", 0.0)
        self.runner = asyncio.Runner()
        self.background: Background | None = None
        self.links: list[MessageBasedResource] = []

    def ask(self, instrument: str, message: str) -> str:
        return self.runner.run(self.engines[instrument].handle(message.encode())).decode().strip()

    def numbers(self, instrument: str, message: str) -> np.ndarray:
        """The answer to one query in ASCII."""
        return np.array([float(text) for text in self.ask(instrument, message).split(",")])

    def errors(self, instrument: str) -> list[int]:
        numbers = []
        while (number := int(self.ask(instrument, "SYST:ERR?").split(",")[0])) != 0:
            numbers.append(number)
        return numbers

    def link(self, instrument: str) -> MessageBasedResource:
        if self.background is None:
            self.background = Background(self.engines)
        resource: Any = pyvisa.ResourceManager("@py").open_resource(
            f"TCPIP0::127.0.0.1::{self.background.ports[instrument]}::SOCKET",
            read_termination="\n",
            write_termination="\n",
            timeout=5000,
        )
        self.links.append(resource)
        return resource

    def close(self) -> None:
        for link in self.links:
            link.close()
        if self.background is not None:
            self.background.close()
        self.runner.close()


SWITCH = {
    "channels": {
        number: {
            "joins": joins,
            "length": "60 mm",
            "resistance_at_1_ghz": "0.5 ohm",
            "contact_resistance": "50 mohm",
            "spread": 0.2,
        }
        for number, joins in (("101", "through"), ("102", "item"))
    }
}


def merged(table: dict, changes: Mapping) -> dict:
    """A table with changes; None takes a key out."""
    result = {key: value for key, value in table.items() if changes.get(key, value) is not None}
    for key, value in changes.items():
        if isinstance(value, Mapping) and isinstance(result.get(key), dict):
            result[key] = merged(result[key], value)
        elif value is not None:
            result[key] = value
    return result


@pytest.fixture
def rig() -> Iterator[Callable[..., Rig]]:
    """Build the starting bench, changed by tables; `with_switch` adds a signal switch."""
    built: list[Rig] = []

    def build(changes: Mapping = {}, *, with_switch: bool = False) -> Rig:
        text = (files("harness.station.starter") / "simulated-bench.toml").read_text("utf-8")
        table = merged(tomllib.loads(text), changes)
        if with_switch:
            table["switch"] = SWITCH
        built.append(Rig(BenchDescription.model_validate(table)))
        return built[-1]

    yield build
    for one in built:
        one.close()
