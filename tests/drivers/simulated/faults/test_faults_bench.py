"""Faults by script, at random and on request: when they strike, and that they do so alike again."""

from typing import Any

import numpy as np
import pytest
import scipy.stats

from drivers.errors import InputError, LinkError
from drivers.link.link import Link
from drivers.simulated.described.bench_description import parse_description
from drivers.simulated.faults.fault_commands import fault_commands
from drivers.simulated.faults.fault_description import DescribedFault, RandomFaults
from drivers.simulated.faults.fault_kinds import KINDS
from drivers.simulated.faults.fault_layer import FaultLayer
from drivers.simulated.scpi import Engine, Identity
from drivers.simulated.serving.reply import Reply, Then
from harness.station.starter_files import write_starter

SILENT = Reply()


@pytest.fixture
def layer(specimen):
    """The fault layer before a specimen; `layer.ask` sends one message through it."""
    built: Any = FaultLayer({"specimen": specimen.engine}, seed=20)
    built.ask = lambda message: specimen.runner.run(
        built.instruments["specimen"].exchange(message.encode(), 1)
    )
    specimen.engine.add(fault_commands(built))
    return built


def fault(kind: str = "silence", **stated) -> DescribedFault:
    return DescribedFault.model_validate({"instrument": "specimen", "kind": kind, **stated})


def strikes(layer, messages: list[str]) -> list[int]:
    """Which of these messages had no answer, counted from 1."""
    return [number for number, text in enumerate(messages, 1) if layer.ask(text) == SILENT]


# When they strike.


@pytest.mark.parametrize(
    ("stated", "expected"),
    [
        ({}, [1]),
        ({"count": 3}, [1, 2, 3]),
        ({"count": 0}, [1, 2, 3, 4, 5, 6]),
        ({"nth": 4}, [4]),
        ({"after_messages": 3, "count": 2}, [4, 5]),
        ({"on": "FREQuency:STARt?"}, [2]),
        ({"on": "SENS:FREQ:STAR?", "nth": 2}, [4]),
        ({"on": "FREQ:STAR?", "after_messages": 2, "count": 0}, [4, 6]),
    ],
)
def test_when(layer, stated, expected) -> None:
    layer.arm(fault(**stated))
    questions = ["*IDN?", ":sens:freq:star?"] * 3
    assert strikes(layer, questions) == expected


def test_a_header_is_recognized_in_every_spelling(layer) -> None:
    layer.arm(fault(on="TRACe:DATA?", count=0))
    spellings = ["TRAC? S11", ":TRACE:DATA? S21", "*CLS;:trac:data? s11", "TRAC?", "*TST?"]
    assert strikes(layer, spellings) == [1, 2, 3, 4]  # the fourth has a mistake: no answer anyway
    assert len(layer.log) == 3


def test_it_waits_for_an_answer_that_it_can_spoil(layer, specimen) -> None:
    layer.arm(fault("wrong-length"))
    assert layer.ask("*IDN?").data.startswith(b"Tareline")
    assert layer.log == []
    assert layer.armed() == ["specimen wrong-length"]
    specimen.ask("FORM REAL,64")
    assert layer.ask("TRAC? S11").data.startswith(b"#224")
    assert layer.log == ["specimen message 2 wrong-length: TRAC? S11"]
    assert layer.armed() == []


def test_a_fault_in_the_instrument_and_one_of_its_answer_go_together(layer, specimen) -> None:
    layer.arm(fault("restart"))
    layer.arm(fault("error-flood"))
    layer.arm(fault("silence"))
    assert layer.ask("*IDN?") == Reply(then=Then.RESET_ALL)
    assert layer.ask("*IDN?") == SILENT
    assert specimen.errors()[0] == -310
    assert [line.split()[3] for line in layer.log] == ["restart:", "error-flood:", "silence:"]


def test_clearing(layer, specimen) -> None:
    layer.script([fault(count=0)], RandomFaults(probability=1.0), "bench.toml")
    layer.arm(fault("endless-sweep"))
    layer.ask("*IDN?")
    layer.clear()
    assert [layer.ask("*IDN?").data[:8] for _ in range(20)] == [b"Tareline"] * 20
    layer.ask("INIT")
    assert not specimen.engine.pending
    assert len(layer.log) >= 1


def test_a_stalled_operation_ends_by_abort_and_reset(layer, specimen) -> None:
    for end in ("ABOR", "*RST"):
        layer.arm(fault("endless-sweep"))
        layer.ask("INIT")
        assert specimen.engine.pending
        layer.ask(end)
        assert not specimen.engine.pending
        layer.ask("INIT")
        assert not specimen.engine.pending


@pytest.mark.parametrize(
    ("sent", "taken"),
    [
        ("FREQ:STAR 2 GHZ", {"STAR": 1.8e9}),
        ("SOUR:POW:AMPL -10", {"AMPL": -11.0}),
        ("SENS:SWE:POIN 201", {"POIN": 180}),
        ("SENS:FREQ:STOP 5E9;STAR 3 GHZ", {"STOP": 4.5e9, "STAR": 3e9}),
        ("OUTP:STAT ON;:SENS:FREQ:STAR? MAX;:SENS:SWE:TIME 2 MS", {"STAT": True, "TIME": 1.8e-3}),
    ],
)
def test_clipping_touches_one_number_only(layer, specimen, sent: str, taken: dict) -> None:
    expected = {**specimen.values, **taken}
    layer.arm(fault("clipped-setting"))
    layer.ask(sent)
    assert specimen.values == expected
    assert specimen.errors() == []


def test_clipping_leaves_what_is_within_the_limit(layer, specimen) -> None:
    layer.arm(fault("clipped-setting", limit=101))
    layer.ask("SENS:SWE:POIN 51")
    assert specimen.values["POIN"] == 51
    layer.ask("SENS:SWE:POIN 201")
    assert specimen.values["POIN"] == 101


# At random.


def outcome(specimen, seed: int, messages: int) -> tuple[list[str], list[Reply]]:
    """What strikes in a conversation with a fresh layer, and what is answered."""
    specimen.ask("*RST;*CLS")
    layer = FaultLayer({"specimen": specimen.engine}, seed=seed)
    layer.script([], RandomFaults(probability=0.4), "bench.toml")
    texts = ["*IDN?", "FORM REAL,64;:TRAC? S11", "SENS:SWE:POIN 51", "INIT", "ABOR"]
    instrument = layer.instruments["specimen"]
    replies = [
        specimen.runner.run(instrument.exchange(texts[n % 5].encode(), 1)) for n in range(messages)
    ]
    return layer.log, replies


def test_the_same_seed_gives_the_same_faults(specimen) -> None:
    specimen.trace = np.linspace(-1.0, 1.0, 20)
    first, again = (outcome(specimen, 7, 150) for _ in range(2))
    assert first == again
    assert len({line.split()[3] for line in first[0]}) > 8  # of many kinds
    assert outcome(specimen, 8, 150)[0] != first[0]


def test_faults_come_with_the_stated_probability(layer) -> None:
    """Binomial, two-sided at 0.1 %: seeded, so it either always holds or never."""
    only = RandomFaults(probability=0.2, kinds=("silence",), seed=3)
    layer.script([], only, "bench.toml")
    count = len(strikes(layer, ["*IDN?"] * 2000))
    assert scipy.stats.binomtest(count, 2000, 0.2).pvalue > 0.001


def test_kinds_that_do_not_suit_an_instrument_are_left_out(specimen) -> None:
    layer = FaultLayer({"specimen": specimen.engine}, seed=1)
    layer.script([], RandomFaults(probability=1.0, kinds=("power-trip",)), "bench.toml")
    instrument = layer.instruments["specimen"]
    assert [kind.name for kind in instrument.at_random] == ["power-trip"]  # it has OUTPut:STATe
    without = FaultLayer({"meter": Engine(Identity("Tareline", "meter"), [])}, seed=1)
    without.script([], RandomFaults(probability=1.0, kinds=("power-trip",)), "bench.toml")
    assert without.instruments["meter"].at_random == []


# In a description.


def described(extra: str, tmp_path):
    write_starter(tmp_path)
    text = (tmp_path / "simulated-bench.toml").read_text("utf-8")
    return parse_description(f"{extra}\n{text}", "bench.toml")


SCRIPT = """
faults = [
    { instrument = "analyzer", kind = "silence", on = "TRACe:DATA?", nth = 2 },
    { instrument = "analyzer", kind = "slow-drip", interval = "20 ms", after_messages = 12 },
]
random_faults = { probability = 0.01, kinds = ["silence", "restart"] }
"""


def test_a_description_with_faults(tmp_path) -> None:
    description = described(SCRIPT, tmp_path)
    first, second = description.faults
    assert (first.kind, first.on, first.nth, first.count) == ("silence", "TRACe:DATA?", 2, 1)
    assert second.parameters == {"interval": 0.02, "bytes": 1}
    assert description.random_faults.kinds == ("silence", "restart")


@pytest.mark.parametrize(
    ("stated", "says"),
    [
        ('instrument = "analyzer", kind = "silense"', "did you mean 'silence'"),
        ('instrument = "hand", kind = "silence"', "the hand is never faulty"),
        ('instrument = "analyzer", kind = "silence", bytes = 3', "silence has no 'bytes'"),
        ('instrument = "analyzer", kind = "slow-drip", interval = 3', "has no unit"),
        ('instrument = "analyzer", kind = "garbage", bytes = 0', "at least one byte"),
        ('instrument = "analyzer", kind = "silence", nth = 0', "greater than or equal to 1"),
        ('instrument = "analyzer", kind = "silence", when = 1', "unknown key"),
    ],
)
def test_mistakes_in_a_description(tmp_path, stated: str, says: str) -> None:
    with pytest.raises(InputError) as raised:
        described(f"faults = [{{ {stated} }}]", tmp_path)
    assert says in str(raised.value)
    assert "bench.toml: faults.0" in str(raised.value)


def test_every_mistake_that_only_the_instruments_can_tell(layer) -> None:
    faults = [
        fault(on="TRACE:DATE?"),
        DescribedFault(instrument="specimem", kind="silence"),
        fault(),
    ]
    with pytest.raises(InputError) as raised:
        layer.script(faults, RandomFaults(probability=0.5, instruments=("x",)), "bench.toml")
    told = str(raised.value)
    assert "faults.0: specimen has no command 'TRACE:DATE?'" in told
    assert "faults.1: this bench has no instrument 'specimem'; did you mean 'specimen'?" in told
    assert "random_faults.instruments: this bench has no instrument 'x'" in told
    assert "3 mistakes" in told


def test_a_scripted_fault_on_a_served_bench(start_bench) -> None:
    first = "seed = 20 "
    script = 'faults = [{ instrument = "analyzer", kind = "silence", on = "*IDN?", nth = 2 }]'
    process = start_bench({first: f"{script}\n{first}"})
    link = Link(process.addresses["analyzer"], timeout_s=0.2)
    link.open()
    with pytest.raises(LinkError, match="no complete answer"):
        link.query("*IDN?")
    link.reopen()
    link.close()


# On request.


def test_asking_the_hand(layer, specimen) -> None:
    specimen.ask('FAUL:ARM "specimen","slow-drip","on=*IDN?","interval=1 ms","bytes=2","count=2"')
    assert specimen.errors() == []
    assert specimen.ask("FAULt:ARMed?") == b'"specimen slow-drip on *IDN?"\n'
    reply = layer.ask("*IDN?")
    assert (reply.piece, reply.pause_s) == (2, 0.001)
    assert specimen.ask("FAUL:LOG?") == b'"specimen message 1 slow-drip: *IDN?"\n'
    specimen.ask("FAULt:CLEar")
    assert specimen.ask("FAULt:ARMed?") == b'""\n'
    assert layer.ask("*IDN?").piece == 0


def test_the_catalogue_says_what_a_client_sees(layer, specimen) -> None:
    told = specimen.ask("FAULt:CATalog?").decode().strip().strip('"').split('","')
    assert [line.split(":")[0].split()[0] for line in told] == list(KINDS)
    for kind in KINDS.values():
        assert any(line.endswith(f": {kind.sees}") for line in told)
        assert kind.sees.endswith(".")


@pytest.mark.parametrize(
    ("sent", "says"),
    [
        ('"specimen","silense"', "did you mean 'silence'"),
        ('"specimem","silence"', "did you mean 'specimen'"),
        ('"specimen","silence","often"', "'often' is not of the form key=value"),
        ('"specimen","silence","bytes=3"', "silence has no 'bytes'"),
        ('"specimen","silence","count=many"', "count"),
        ('"specimen","silence","on=NO:SUCH?"', "no command 'NO:SUCH?'"),
        ('"hand","silence"', "never faulty"),
    ],
)
def test_what_cannot_be_asked_for(layer, specimen, sent: str, says: str) -> None:
    specimen.ask(f"FAULt:ARM {sent}")
    answer = specimen.ask("SYST:ERR?").decode()
    assert answer.startswith('-224,"Illegal parameter value;')
    assert says in answer
    assert layer.armed() == []
