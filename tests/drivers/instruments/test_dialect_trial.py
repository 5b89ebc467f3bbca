"""Trying dialects on live instruments: what each step shows, and that RF is off at the end."""

from pathlib import Path

import pytest

from drivers.dialects.dialect import load_dialect
from drivers.instruments.dialect_trial import FAILED, GOOD, Trial
from drivers.link.link import Link
from drivers.sweep import SweepSettings
from tests.drivers.unlike_bench import unlike_bench
from tests.harness.set_ups import SWITCH_ON_THE_BENCH

HERE = Path(__file__).parents[1]
SETTINGS = SweepSettings(1e9, 1.1e9, 11, -30.0, 1000.0)


def trial(resource, dialect, **options):
    options = {"timeout_s": 0.5, **options}
    return Trial(resource, dialect, SETTINGS, maximum_power_dbm=-30.0, **options)


@pytest.fixture(scope="module")
def unlike():
    with unlike_bench() as addresses:
        yield addresses


ROLES = {
    "network-analyzer": ("analyzer", ["sweep", "read", "errors", "RF on"]),
    "spectrum-analyzer": ("spectrum_analyzer", ["sweep", "read", "errors", "RF on"]),
    "signal-generator": ("generator", ["level", "frequency", "settle", "RF on"]),
    "power-meter": ("power_meter", ["averaging", "zero", "read"]),
    "signal-switch": ("switch", ["open", "close"]),
    "thermometer": ("thermometer", ["read"]),
}


def test_shipped_dialects_pass_on_the_bench_that_they_are_for(start_bench):
    addresses = start_bench({"[leads]": f"{SWITCH_ON_THE_BENCH}\n[leads]"}).addresses
    for role, (table, expected) in ROLES.items():
        dialect = load_dialect(f"scpi-99-{role}")
        # the first sweep of a bench loads its physics, which may take a while
        options = {"channels": ("101", "102"), "zero": True, "timeout_s": 20.0}
        steps = trial(addresses[table], dialect, **options).run()
        assert [step for step in steps if step.verdict != GOOD] == []
        names = [step.name for step in steps]
        assert names[:2] == ["identify", "prepare"]
        assert set(expected) <= set(names), role
        assert "Simulated" in steps[0].finding
        if hasattr(dialect, "rf"):
            assert names[-1] == "RF off at the end"
            assert dialect.rf.off in steps[-1].messages("->")


@pytest.mark.parametrize(
    ("name", "shows"),
    [
        ("centre-span", "11 points"),
        ("plain-text", "11 points"),
        ("listed", "11 points"),
        ("volts", "11 points; transmission -20.00 to -20.00 dB"),
        ("hundredths", ""),
        ("text-meter", "dBm)"),
        ("turret", ""),
        ("kelvin", "23.10 °C"),
    ],
)
def test_unlike_instruments_pass_with_their_own(unlike, name, shows):
    dialect = load_dialect(f"{HERE}/unlike_dialects/{name}.toml")
    steps = trial(unlike[name], dialect, channels=("B", "D"), zero=True, timeout_s=5.0).run()
    assert [step for step in steps if step.verdict != GOOD] == []
    assert any(shows in step.finding for step in steps)


@pytest.fixture
def mistaken(tmp_path):
    """The plain-text dialect with a mistake in it."""

    def make(old, new):
        text = (HERE / "unlike_dialects" / "plain-text.toml").read_text("utf-8")
        assert old in text
        (tmp_path / "mine.toml").write_text(text.replace(old, new), "utf-8")
        return load_dialect("mine.toml", relative_to=tmp_path)

    return make


@pytest.mark.parametrize(
    ("old", "new", "step", "finding", "hint"),
    [
        ('["*CLS", "RFOF"]', '["*CLS", "PREset", "RFOF", "CONT 0"]', "prepare",
         "'PREset': FAULT 113", "which command it does not take"),
        ('["NO FAULTS"]', '["0"]', "prepare", "'NO FAULTS'", "put it into `no_error`"),
        ('["RF OFF"]', '["OFF"]', "RF off", "'RF?' answers 'RF OFF'", "answers_off"),
        ("FA {value}", "FX {value}", "configure", "'FX 1000000.000': FAULT 113", "dialect"),
        ('get = "FA?"', 'get = "FB?"', "read back", "start_hz was set to", "tolerance"),
        ("lowest = 3", "lowest = 12", "band", "takes 12 at least", "--points"),
        ('"LG 0"', '"LG 1"', "frequencies", "point 2 should be at", "[spacing]"),
        ('bit = 5, done_when = "clear"', 'bit = 6, done_when = "set"', "sweep",
         "was not finished after", "trigger"),
        ('S11 = "F11"', 'S11 = "S11"', "read", "'RE? S11'",
         "complained about 'RE? S11': FAULT 224"),
        ('separator = ";"', 'separator = ","', "frequencies",
         "expected numbers separated by ','", "[data]"),
    ],
)  # fmt: skip
def test_each_mistake_is_shown_in_its_step(unlike, mistaken, old, new, step, finding, hint):
    steps = trial(unlike["plain-text"], mistaken(old, new)).run()
    failed = [one for one in steps if one.verdict == FAILED]
    assert failed[0].name == step
    assert finding in failed[0].finding
    assert hint in failed[0].hint
    link = Link(unlike["plain-text"])
    link.open()
    assert link.query("RF?") == "RF OFF"
    link.close()


def test_all_commands_that_are_not_taken_are_named_at_once(unlike, mistaken):
    dialect = mistaken('["*CLS", "RFOF"]', '["*CLS", "PREset", "RFOF", "CONT 0"]')
    (failed,) = [s for s in trial(unlike["plain-text"], dialect).run() if s.verdict == FAILED]
    assert "'PREset'" in failed.finding
    assert "'CONT 0'" in failed.finding
    assert "'RFOF'" not in failed.finding


def test_nobody_there(unlike):
    steps = trial("TCPIP0::127.0.0.1::1::SOCKET", load_dialect("scpi-99-power-meter")).run()
    assert [(step.name, step.verdict) for step in steps] == [("identify", FAILED)]
