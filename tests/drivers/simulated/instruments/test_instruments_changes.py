"""What happens to a measurement while something changes under it, over the socket."""

import subprocess
import sys
import tomllib
from importlib.resources import files

import numpy as np
import pytest

from drivers.errors import InputError
from drivers.simulated.described.bench_description import parse_description
from drivers.simulated.physics.truth import insertion_loss_db

STALE, CONFLICT = -230, -221
STARTER = (files("harness.station.starter") / "simulated-bench.toml").read_text("utf-8")
POWER_BIT = 8  # bit 3 of the questionable status register (SCPI-99 volume 1, 9.4, from memory)


def error_number(link):
    return int(link.query("SYST:ERR?").split(",")[0])


def numbers(answer):
    return np.array([float(part) for part in answer.split(",")])


@pytest.mark.parametrize(
    ("change", "points"),
    [("SWE:POIN 11", 11), ("BAND 100 KHZ", 21), ("FREQ:STAR 5 GHZ", 21), ("OUTP OFF", 21)],
)
def test_a_setting_changed_during_a_sweep_begins_it_anew(rig, change, points):
    """As AVERage:CLEar does: what is read was swept with the settings that now hold."""
    built = rig({"pace": 0.1})
    link = built.link("analyzer")
    link.write("SWE:POIN 21;:BAND 1 KHZ;:FREQ:STAR 1 GHZ;STOP 6 GHZ;:OUTP ON;:INIT")
    link.write(change)
    link.query("*OPC?")
    trace = numbers(link.query("TRAC? S21"))
    assert len(trace) == 2 * points
    assert error_number(link) == 0


def test_settings_that_contradict_each_other_for_a_moment_end_the_sweep(rig):
    built = rig({"pace": 1.0})
    link = built.link("analyzer")
    link.write("SWE:POIN 201;:BAND 10;:FREQ:STAR 1 GHZ;STOP 2 GHZ;:INIT")
    link.write("FREQ:STAR 3 GHZ")
    assert link.query("*OPC?") == "1"
    assert error_number(link) == 0
    link.write("TRAC? S21")
    assert error_number(link) == STALE


@pytest.mark.parametrize("connect", ["CONN:NOTH", "CONN:THR", 'CONN:ITEM "JMP-0107"'])
def test_a_connection_changed_during_a_sweep_spoils_it(rig, connect):
    built = rig({"pace": 0.05})
    link, hand = built.link("analyzer"), built.link("hand")
    hand.write("CONN:THR")
    assert hand.query("CONN:STAT?") == '"through"'
    link.write("SWE:POIN 201;:BAND 1 KHZ;:OUTP ON;:INIT")
    hand.write(connect)
    hand.query("CONN:STAT?")
    link.query("*OPC?")
    link.write("TRAC? S21")
    assert error_number(link) == STALE


def test_an_overload_of_a_function_that_is_no_longer_selected_is_forgotten(rig):
    """S11 of an open lead is strong behind pads of 0 dB, S21 of it is not."""
    built = rig({"leads": {"pad": "0 dB"}, "analyzer": {"overload_level": "-15 dBm"}})
    built.ask("analyzer", "SWE:POIN 11;:SOUR:POW 0;:OUTP ON")
    built.ask("analyzer", "FUNC 'XFR:S11';:INIT")
    assert int(built.ask("analyzer", "STAT:QUES:COND?")) & POWER_BIT
    built.ask("analyzer", "FUNC 'XFR:S21';:INIT")
    assert not int(built.ask("analyzer", "STAT:QUES:COND?")) & POWER_BIT


def test_zeroing_forgets_the_reading_before_it(rig):
    built = rig()
    built.ask("power_meter", "INIT")
    built.ask("power_meter", "FETC?")
    built.ask("power_meter", "CAL:ZERO:AUTO ONCE")
    built.ask("power_meter", "FETC?")
    assert STALE in built.errors("power_meter")


def test_a_continuous_instrument_refuses_what_cannot_be_swept(rig):
    built = rig()
    built.ask("analyzer", "FREQ:STAR 3 GHZ;STOP 2 GHZ;:INIT:CONT ON")
    built.ask("analyzer", "TRAC? S21")
    assert built.errors("analyzer") == [CONFLICT]


def test_many_averages_under_a_ramp_do_not_keep_the_others_waiting(rig):
    """The path is looked at a few times in an average, not in each of its sweeps."""
    built = rig({"temperature": {"start": "20 °C", "ramp_per_hour": "10 °C"}})
    looked_at = []
    path = built.bench.path
    built.bench.path = lambda *where: looked_at.append(where) or path(*where)
    built.ask("hand", "CONN:THR")
    built.ask("analyzer", "SWE:POIN 11;:BAND 100;:AVER:COUN 200;STAT ON;:OUTP ON;:INIT")
    assert len(numbers(built.ask("analyzer", "TRAC? S21"))) == 22
    assert 1 < len(looked_at) <= 10


LOOSE = {"kind": "loose-pin", "probability": 0.5, "gap": "0.02 pF"}


def test_a_loose_pin_in_the_adapter_shows_behind_a_switch(rig):
    through = tomllib.loads(STARTER)["through"]
    built = rig({"through": {"parts": [*through["parts"], LOOSE]}}, with_switch=True)
    built.ask("switch", "ROUT:CLOS (@101)")
    built.ask("analyzer", "SWE:POIN 11;:OUTP ON")
    seen = set()
    for _ in range(24):
        built.ask("analyzer", "INIT")
        trace = numbers(built.ask("analyzer", "TRAC? S21"))
        seen.add(bool(np.hypot(trace[0], trace[1]) > 1e-2))
    assert seen == {True, False}


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("pace = 0.0", "pace = inf", "pace"),
        ("pace = 0.0", "pace = 1e300", "pace"),
        ("seed = 20 ", "seed = true ", "seed"),
        ("seed = 20 ", "seed = 20.0 ", "seed"),
        ("permittivity = 1.6", "permittivity = inf", "permittivity"),
        ("loss_tangent = 2e-4", "loss_tangent = nan", "loss_tangent"),
        ('highest_power = "10 dBm"', 'highest_power = "-60 dBm"', "must be above lowest_power"),
        ('noise_floor = "-112 dBm"', 'noise_floor = "1e300 dBm"', "noise_floor"),
        ("[items.JMP-0107]", '[items."Grün-1"]', "name it with letters"),
        ("[items.JMP-0107]", '[items.""]', "name it with letters"),
        ("[items.JMP-0107]", "[items.EMPTY]\nparts = []\n[items.JMP-0107]", "at least one part"),
    ],
)
def test_what_cannot_be_served_is_refused_with_its_key(old, new, says):
    assert old in STARTER
    with pytest.raises(InputError, match=says):
        parse_description(STARTER.replace(old, new, 1))


@pytest.mark.parametrize("makings", [40, pytest.param(400, marks=pytest.mark.long)])
def test_truth_is_the_mean_over_makings(rig, makings):
    """So many makings each of through and item, noise and drift off: the mean loss over them agrees
    with the truth within four standard errors."""
    quiet = {"trace_noise": "0 dB", "linearity": "0 dB", "drift": "0 dB", "noise_floor": "-300 dBm",
             "isolation": None}  # fmt: skip
    built = rig({"analyzer": quiet})
    built.ask("analyzer", "FREQ:STAR 5.5 GHZ;STOP 5.6 GHZ;:SWE:POIN 2;:OUTP ON")
    levels = {}
    for what in ("CONN:THR", 'CONN:ITEM "JMP-0107"'):
        levels[what] = []
        for _ in range(makings):
            built.ask("hand", what)
            built.ask("analyzer", "INIT")
            trace = numbers(built.ask("analyzer", "TRAC? S21"))
            levels[what].append(20 * np.log10(np.hypot(trace[0], trace[1])))
    through, item = (np.array(values) for values in levels.values())
    grid = np.array([5.5e9])
    from drivers.simulated.physics.truth import through_loss_db

    measured = through.mean() - item.mean() + through_loss_db(built.description, grid)[0]
    error = np.hypot(through.std(ddof=1), item.std(ddof=1)) / np.sqrt(makings)
    truth = insertion_loss_db(built.description, "JMP-0107", grid)[0]
    # what mismatch between the padded leads and the item leaves, the same in every making
    mismatch_db = 0.02
    assert abs(measured - truth) < 4 * error + mismatch_db


ONE_PROCESS = """
import hashlib, sys
from pathlib import Path
from drivers.link.link import Link
from drivers.simulated.launch import SimulatedBenchProcess
with SimulatedBenchProcess(Path(sys.argv[1]), pace=float(sys.argv[2])) as bench:
    hand, analyzer = Link(bench.addresses["hand"]), Link(bench.addresses["analyzer"])
    hand.open(), analyzer.open()
    hand.query("CONN:THR;:CONN:STAT?")
    analyzer.write("FORM REAL,64;:SWE:POIN 21;:BAND 1 KHZ;:OUTP ON")
    seen = hashlib.sha256()
    for _ in range(3):
        analyzer.query("INIT;*OPC?")
        seen.update(analyzer.query_block("TRAC? S21"))
    print(seen.hexdigest())
    hand.close(), analyzer.close()
"""


@pytest.mark.long
def test_readings_are_the_same_bit_for_bit_in_every_process_at_every_pace(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(STARTER, "utf-8")
    seen = {
        subprocess.run(
            [sys.executable, "-c", ONE_PROCESS, str(path), pace],
            capture_output=True, text=True, check=True,
        ).stdout
        for pace in ("0", "0.1")
    }  # fmt: skip
    assert len(seen) == 1
