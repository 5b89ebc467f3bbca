"""What a description may not say, in words for who wrote it, whatever is wrong with it."""

import re

import pytest
from pydantic import ValidationError

from drivers.errors import InputError
from drivers.simulated.described.bench_description import parse_description
from drivers.simulated.faults.fault_description import DescribedFault
from drivers.simulated.scpi import Engine, Identity
from drivers.toml_file import Table, parse_table
from harness.station.starter_files import write_starter

LIBRARY_WORDS = re.compile(
    r"[Pp]ydantic|discriminator|[Tt]uple|\b[Dd]ict|instance|[Vv]alue error|\bTrue\b|\bint\b"
)


@pytest.mark.parametrize(
    ("kind", "stated"),
    [
        ("garbage", {"bytes": 2_000_000_000}),
        ("slow-drip", {"bytes": 10**30}),
        ("wrong-length", {"bytes": -(10**9)}),
        ("wrong-length", {"bytes": 0}),
        ("wrong-points", {"numbers": 10**12}),
        ("wrong-points", {"numbers": 0}),
        ("wrong-points", {"numbers": 1.5}),
        ("not-a-number", {"points": 10**12}),
        ("clipped-setting", {"limit": "nan"}),
        ("clipped-setting", {"limit": "inf"}),
        ("slow-drip", {"interval": "61 s"}),
        ("slow-drip", {"interval": "-1 s"}),
        ("second-client", {"says": " "}),
        ("second-client", {"says": "*RST\n*CLS"}),
    ],
)
def test_parameters_have_bounds(kind: str, stated: dict) -> None:
    with pytest.raises(ValidationError):
        DescribedFault.model_validate({"instrument": "analyzer", "kind": kind, **stated})


@pytest.mark.parametrize(
    "on", ["TRAC? S21", "TRAC?;*CLS", "*RST ", "SWE:POIN 11", "TRAC? ;", "1", " ", "A::B"]
)
def test_a_fault_is_aimed_at_a_header_alone(on: str) -> None:
    with pytest.raises(ValidationError, match="not a header alone"):
        DescribedFault.model_validate({"instrument": "analyzer", "kind": "silence", "on": on})


def told(tmp_path, changes: dict[str, str]) -> str:
    write_starter(tmp_path)
    text = (tmp_path / "simulated-bench.toml").read_text("utf-8")
    for before, after in changes.items():
        assert before in text
        text = text.replace(before, after, 1)
    with pytest.raises(InputError) as raised:
        parse_description(text, "bench.toml")
    return str(raised.value)


PART = "[through]"


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"seed = 20 ": "seed = true "}, "seed: expected a whole number, got true"),
        ({"pace = 0.0 ": "pace = false "}, "pace: expected a number, got false"),
        ({"seed = 20 ": "seed = 2.5 "}, "seed: expected a whole number, got 2.5"),
        ({"seed = 20 ": "seed = -0x" + "F" * 5000}, "is not valid TOML"),
        ({"seed = 20 ": "seed = " + "7" * 5000}, "too many digits"),
        ({"seed = 20 ": "pace = 0x" + "F" * 5000 + "\n", "pace = 0.0 ": "seed = 2 "}, "pace: "),
        ({"seed = 20 ": "x = " + "[" * 100_000 + "\nseed = 20 "}, "too deep to read"),
        ({"seed = 20 ": "x = 2026-02-30\nseed = 20 "}, "is not valid TOML"),
        ({"seed = 20 ": "faults = 3\nseed = 20 "}, "faults: expected a list in brackets, got 3"),
        ({"seed = 20 ": "faults = [3]\nseed = 20 "}, "faults.0: expected a table, got 3"),
        ({"seed = 20 ": "hand = 3\nseed = 20 ", "\n[hand]": "\n[hands]"}, "hand: expected a table"),
        ({"seed = 20 ": "items = 3\nseed = 20 ", "\n[items.": "\n[others."}, ""),
    ],
)
def test_mistakes_are_told_in_plain_words(tmp_path, changes: dict[str, str], says: str) -> None:
    text = told(tmp_path, changes)
    assert says in text
    assert not LIBRARY_WORDS.search(text.replace("InputError", ""))
    assert len(text) < 20_000


@pytest.mark.parametrize(
    ("part", "says"),
    [
        ("{ length = '1 mm' }", "say its kind: line, connector, "),
        ("3", "expected a table, got 3"),
        ("{ kind = 3 }", "there is no kind 3; known here: line, connector, "),
        ("{ kind = 'lime' }", "did you mean 'line'?"),
    ],
)
def test_a_part_says_its_kind(part: str, says: str) -> None:
    from drivers.simulated.described.part_tables import Assembly

    read = parse_table(f"parts = [{part}]", Assembly, "bench.toml")
    assert says in "\n".join(map(str, read.mistakes))
    assert not LIBRARY_WORDS.search("\n".join(map(str, read.mistakes)))


class Mixed(Table):
    on: bool
    level: float | None = None
    either: bool | int = 3


def test_truth_stands_where_truth_is_meant() -> None:
    read = parse_table("on = true\neither = false", Mixed, "x.toml")
    assert read.content == Mixed(on=True, either=False)
    (mistake,) = parse_table("on = true\nlevel = true", Mixed, "x.toml").mistakes
    assert str(mistake) == "x.toml: level: expected a number, got true"
    (mistake,) = parse_table("on = 'maybe'", Mixed, "x.toml").mistakes
    assert str(mistake) == "x.toml: on: expected true or false, got 'maybe'"


def test_an_endless_sweep_needs_a_sweep() -> None:
    from drivers.simulated.faults.fault_layer import FaultLayer

    layer = FaultLayer({"switch": Engine(Identity("Tareline", "switch"), [])}, seed=1)
    with pytest.raises(ValueError, match="switch has no ABORt, so no endless-sweep"):
        layer.arm(DescribedFault(instrument="switch", kind="endless-sweep"))
