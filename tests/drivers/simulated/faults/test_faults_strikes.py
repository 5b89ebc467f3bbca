"""What counts as a strike of a fault, and what a strike may not do."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from drivers.simulated.faults.fault_description import DescribedFault, RandomFaults
from drivers.simulated.faults.fault_kinds import KINDS
from drivers.simulated.faults.fault_layer import FaultLayer


@pytest.fixture
def layer(specimen):
    """The fault layer before a specimen; `layer.ask` sends one message through it."""
    built: Any = FaultLayer({"specimen": specimen.engine}, seed=20)
    built.ask = lambda message: specimen.runner.run(
        built.instruments["specimen"].exchange(message.encode(), 1)
    )
    return built


def fault(kind: str, **stated) -> DescribedFault:
    return DescribedFault.model_validate({"instrument": "specimen", "kind": kind, **stated})


def test_a_fault_that_fails_itself_is_told_and_the_answer_comes(
    layer, specimen, monkeypatch
) -> None:
    async def fail(strike, data):
        raise MemoryError("far too much")

    for name in ("silence", "restart"):  # one acts on answers, one on messages
        monkeypatch.setitem(KINDS, name, replace(KINDS[name], act=fail))
        layer.arm(fault(name))
        assert layer.ask("*IDN?").data.startswith(b"Tareline")
        assert specimen.errors() == [-300]
        assert layer.armed() == []
        assert layer.log.pop().split()[3] == f"{name}:"


@pytest.mark.parametrize(
    ("kind", "stated", "sent"),
    [
        ("wrong-byte-order", {}, "FORM REAL,64;:TRAC? S11"),
        ("slow-drip", {"interval": "0 s", "bytes": 1000}, "*IDN?"),
        ("clipped-setting", {"limit": 3e9}, "SENS:FREQ:STAR 2 GHZ"),
        ("clipped-setting", {}, "SENS:FREQ:STAR 3E5"),
        ("clipped-setting", {}, "SENS:RAT 0"),
        ("clipped-setting", {}, "OUTP 1"),
        ("clipped-setting", {}, "SENS:FREQ:STAR 99 GHZ"),
        ("endless-sweep", {}, "*IDN?"),
    ],
)
def test_what_changes_nothing_is_no_strike(layer, specimen, kind, stated, sent) -> None:
    specimen.trace = np.zeros(4)
    layer.arm(fault(kind, **stated))
    layer.ask(sent)
    assert layer.log == []
    assert len(layer.armed()) == 1


@pytest.mark.parametrize(
    ("sent", "name", "taken"),
    [
        ("SENS:RAT 1 E 9", "RAT", 9e8),
        ("SENS:FREQ:STAR 310 KHZ", "STAR", 3e5),
        ("SENS:SWE:POIN #HC9", "POIN", 180),
        ("SENS:SWE:POIN 2.6", "POIN", 2),
        ("SOUR:POW:AMPL -59", "AMPL", -60.0),
        ("OUTP 1;:SENS:SWE:TIME 2 MS", "TIME", 1.8e-3),
        ("SENS:RAT 1.5e300", "RAT", 1.35e300),
    ],
)
def test_clipping_stays_within_the_limits(layer, specimen, sent, name, taken) -> None:
    layer.arm(fault("clipped-setting"))
    layer.ask(sent)
    assert specimen.values[name] == pytest.approx(taken, rel=1e-12)
    assert specimen.errors() == []
    assert len(layer.log) == 1


def test_a_strike_of_an_endless_sweep_is_a_sweep_begun(layer, specimen) -> None:
    layer.arm(fault("endless-sweep", count=2))
    for struck in (1, 2):
        for text in ("*IDN?", "*CLS"):
            layer.ask(text)
        assert len(layer.log) == struck - 1
        layer.ask("INIT")
        assert specimen.engine.pending
        assert len(layer.log) == struck
        layer.ask("ABOR")
    layer.ask("INIT")
    assert not specimen.engine.pending


def test_a_restart_forgets_the_sweep_that_was_to_be_endless(layer, specimen) -> None:
    only = RandomFaults(probability=1.0, kinds=("endless-sweep",))
    layer.script([], only, "bench.toml")
    layer.ask("*IDN?")
    specimen.engine.restart()
    specimen.ask("INIT")
    assert not specimen.engine.pending


def test_what_is_no_sweep_is_not_endless(layer, specimen) -> None:
    layer.arm(fault("endless-sweep"))
    layer.ask("*IDN?")
    specimen.runner.run(begun(specimen.engine, operation_bit=0))  # CALibrating
    assert not specimen.engine.pending


async def begun(engine, operation_bit: int) -> None:
    engine.begin(0.0, operation_bit=operation_bit)
