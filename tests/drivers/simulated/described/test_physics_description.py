"""Mistakes in a bench description are named with their place, all at once."""

import re
from pathlib import Path

import pytest

import harness.station.starter
from drivers.errors import InputError
from drivers.simulated.described.bench_description import parse_description

STARTER = Path(harness.station.starter.__path__[0], "simulated-bench.toml").read_text("utf-8")
COLD = 'start = "20 °C"'


def mistakes(text):
    with pytest.raises(InputError) as raised:
        parse_description(text, "bench.toml")
    return str(raised.value)


@pytest.mark.parametrize(
    ("part", "says"),
    [
        ('kind = "bad-crmp"', "there is no kind of part 'bad-crmp'; did you mean 'bad-crimp'?"),
        ('kind = "bad-crimp"', "a bad crimp needs a resistance, a gap, or both"),
        ('kind = "pad", attenuation = "3"', "'3' has no unit: add one of dB"),
        ('kind = "pad", attenuation = "-3 dB"', "greater than 0"),
        (
            'kind = "adapter", shape = "bent", length = "9 mm", resistance_at_1_ghz = "0 ohm"',
            "there is no 'bent' here; known here: straight, right-angle, 45-degree",
        ),
        ('kind = "loose-pin", probability = 1.5, gap = "1 pF"', "less than or equal to 1"),
        ('kind = "missing-ferrule", resistence = "1 ohm"', "did you mean 'resistance'?"),
        (
            'kind = "periodic", of = "thin flexible", length = "9 mm", period = "10 mm",'
            " impedance_error = 0.1",
            "period must not be longer than length",
        ),
        (
            'kind = "crushed", of = "thin flexible", length = "9 mm", outer_diameter = "0.5 mm"',
            "parts.0.outer_diameter: must be larger than that inside, 0.51 mm",
        ),
        (
            'kind = "wet-braid", of = "thin flexible", length = "9 mm", outer_factor = 1.5,'
            " loss_tangent = 0.1",
            "parts.0.outer_factor: water cannot lower that of the line, 1.6",
        ),
        (
            'kind = "wet-braid", of = "thin flexibel", length = "9 mm", outer_factor = 3.0,'
            " loss_tangent = 0.1",
            "parts.0.of: there is no line 'thin flexibel'; did you mean 'thin flexible'?",
        ),
    ],
)
def test_a_wrong_part_is_named(part, says):
    found = mistakes(f"{STARTER}\n[items.X]\nparts = [{{ {part} }}]\n")
    assert says in found
    assert "bench.toml" in found
    assert "items.X.parts" in found


@pytest.mark.parametrize(
    ("instead", "says"),
    [
        (f'{COLD}\nramp = "2 °C"', "temperature.ramp: unknown key"),
        (f'{COLD}\npoints = [["0 h", "20 °C"]]', "either points, or start and ramp_per_hour"),
        ('points = [["2 h", "20 °C"], ["1 h", "22 °C"]]', "in order of time"),
        ('period = "1 h"', "period needs points"),
        (
            'points = [["0 h", "20 °C"], ["1 h", "22 °C"]]\nperiod = "1 h"',
            "points must span less than period",
        ),
        ('points = [["0 h", "20"]]', "temperature.points.0.1: '20' has no unit"),
        ('start = "20 K"', "'K' is not a unit that fits here"),
    ],
)
def test_a_wrong_schedule_is_named(instead, says):
    assert says in mistakes(STARTER.replace(COLD, instead))


def test_all_mistakes_come_at_once():
    text = STARTER.replace('flexure_length = "0.01 mm"', 'flexure_length = "100 mm"')
    text += '\n[items.X]\nparts = [{ kind = "bad-crimp" }, { kind = "padd" }]\n'
    found = mistakes(text)
    assert found.startswith("3 mistakes")
    assert "flexure_length must be at most a tenth of length" in found
    assert "items.X.parts.1" in found


def test_the_examples_in_the_starting_file_are_right():
    examples = re.findall(r"^#   (\{.*?\})", STARTER, re.MULTILINE)
    assert len(examples) == 8
    bench = parse_description(f"{STARTER}\n[items.ALL]\nparts = [{', '.join(examples)}]\n")
    assert len({part.kind for part in bench.items["ALL"].parts}) == 8


def test_an_item_cannot_be_called_like_the_joined_leads():
    assert "items.through: this name is taken" in mistakes(
        f"{STARTER}\n[items.through]\nparts = []\n"
    )


def test_a_description_of_few_words_is_enough():
    """What has a default may be left out: a bench without instruments, switch or temperature."""
    text = STARTER[STARTER.index("[leads]") :].replace(f"[temperature]\n{COLD}", "")
    kept = [line for line in text.splitlines() if not line.startswith("flexure_")]
    bench = parse_description("\n".join(["seed = 1", *kept]))
    assert bench.analyzer is None
    assert bench.leads.flexure_length_m == 0
    assert bench.temperature.at(3600.0) == 20.0
