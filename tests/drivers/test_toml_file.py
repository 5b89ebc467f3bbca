"""What is said of text that is no TOML: how it is written, where that can be told."""

import re

import pytest
from pydantic import BaseModel

from drivers.quantities import counted
from drivers.toml_file import parse_table


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a = 1\nlength = 450 mm # bare", 'line 2: a quantity stands in quotes: length = "450 mm"'),
        (
            "b = { start = 2.4 GHz, n = 3 }",
            'line 1: a quantity stands in quotes: start = "2.4 GHz"',
        ),
        ("limits = { m = 1.5 dB }", 'line 1: a quantity stands in quotes: m = "1.5 dB"'),
        ("power = -10 dBm", 'line 1: a quantity stands in quotes: power = "-10 dBm"'),
        ("t = 23 °C", 'line 1: a quantity stands in quotes: t = "23 °C"'),
        ("torque = 0.56 N m", 'line 1: a quantity stands in quotes: torque = "0.56 N m"'),
        ("f = 1e3 Hz", 'line 1: a quantity stands in quotes: f = "1e3 Hz"'),
        ("share = 5 %", 'line 1: a quantity stands in quotes: share = "5 %"'),
        ("connector = SMA", 'line 1: text stands in quotes: connector = "SMA"'),
        ('a = "450 mm" "x"', 'is not valid TOML: .*: a = "450 mm" "x"'),
        ("[items.PÜG-0452]", r"line 1: names have A to Z, a to z, .*: \[items.PÜG-0452\]"),
        ("länge = 3", "line 1: names have A to Z, a to z, .*: länge = 3"),
        ("[a\nb = 1", r"is not valid TOML: .*: \[a"),
        ("a b = 3", "is not valid TOML: .*: a b = 3"),
    ],
)
def test_what_is_not_quoted_is_said_so(text, says):
    (mistake,) = parse_table(text, BaseModel, "station.toml").mistakes
    assert re.search(says, str(mistake)), mistake


def test_one_of_a_kind_is_not_several():
    assert [counted(n, "item") for n in (0, 1, 2, 1234)] == [
        "0 items", "1 item", "2 items", "1,234 items",
    ]  # fmt: skip


@pytest.mark.parametrize("line", ["a" * 400_000, "ä" * 400_000 + " = 1", "= " * 200_000])
def test_a_line_without_an_end_is_told_in_short(line):
    """What is looked for in it takes time with the square of its length."""
    (mistake,) = parse_table(line, BaseModel, "items.toml").mistakes
    assert len(str(mistake)) < 300
