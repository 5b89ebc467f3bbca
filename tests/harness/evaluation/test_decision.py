"""Limits and decision rules from the files to the report: read, refused, applied, kept."""

import json
import re

import numpy as np
import pytest
from typer.testing import CliRunner

from drivers.errors import InputError
from drivers.quantities import SI_CONTEXT
from harness.analysis.uncertainty.conformity import DecisionRule
from harness.commands.cli import app
from harness.evaluation.read_back import read_run
from harness.evaluation.run_analysis import assess
from harness.station.items import Item, item_as_dict, read_workplace
from tests.harness.set_ups import replace

LIMITS = re.compile(r"^limits = \{.*?\}$", re.MULTILINE)


def read(folder):
    return read_workplace(folder / "station.toml", folder / "items.toml")


def set_limits(folder, limits, more=""):
    """Give the first item these limits and further keys, and forget the other items."""
    path = folder / "items.toml"
    head, first, *_ = re.split(r"(?=^\[items\.)", path.read_text("utf-8"), flags=re.MULTILINE)
    changed, count = LIMITS.subn(lambda _: f"limits = {limits}\n{more}", first)
    assert count == 1
    path.write_text(head + changed, "utf-8")


def use_rule(folder, table):
    replace(folder / "station.toml", ('rule = "guard band U"', table))


def limits_of(folder):
    workplace = read(folder)
    item = workplace.items["PIG-0451"]
    found = {}
    for name, band in workplace.station.bands.items():
        frequency_hz = np.linspace(band.start_hz, band.stop_hz, 3)
        expected = item.expected(
            frequency_hz, workplace.station.temperature_c, workplace.station.known_parts()
        )
        found[name] = (frequency_hz, expected, item.limit_db(name, frequency_hz, expected))
    return found


def test_limits_are_numbers_formulas_or_margins(workplace_folder):
    set_limits(
        workplace_folder,
        '{ telemetry-433 = "0.45 dB", telemetry-868 = "0.1 dB + 0.35 dB * sqrt(f / 1 GHz)", '
        'satellite = "expected + 0.3 dB" }',
    )
    found = limits_of(workplace_folder)
    np.testing.assert_array_equal(found["telemetry-433"][2], 0.45)
    frequency_hz, _, limit_db = found["telemetry-868"]
    np.testing.assert_allclose(limit_db, 0.1 + 0.35 * np.sqrt(frequency_hz / 1e9))
    _, expected, limit_db = found["satellite"]
    np.testing.assert_allclose(limit_db, expected.loss_db + 0.3)
    assert found["backhaul-2400"][2] is None


def test_what_a_run_file_keeps_of_an_item_is_the_item(workplace_folder):
    set_limits(
        workplace_folder,
        '{ telemetry-433 = "450 mdB", satellite = "expected + 0.3 dB" }',
        'decision = { rule = "guard band for risk", risk = "1 %" }',
    )
    item = read(workplace_folder).items["PIG-0451"]
    kept = json.loads(json.dumps(item_as_dict("PIG-0451", item)))
    assert kept["limits_db"] == {"telemetry-433": 0.45, "satellite": "expected + 0.3 dB"}
    del kept["id"]
    assert Item.model_validate(kept, context=SI_CONTEXT, by_alias=False, by_name=True) == item


@pytest.mark.parametrize(
    ("limit", "says"),
    [
        ("0.1 dB + 0.3", "dB and a plain number cannot be added"),
        ("0.45", "'0.45' has no unit"),
        ("0,45 dB", "is not a number with a unit: write '0.45 dB'"),
        ("expected + 0,3 dB", "',' has no meaning in a limit; decimals have a point"),
        ("0.45 dBm", "'dBm' is not a unit that fits here"),
        ("-0.45 dB", "a limit must be above 0 dB"),
        ("0 dB", "a limit must be above 0 dB"),
        ("", "is not a number with a unit"),
        ("expected - 3 dB", "a limit must be above 0 dB in the whole band"),
        ("1 dB - 1 dB * f / 434 MHz", "a limit must be above 0 dB in the whole band"),
    ],
)
def test_mistakes_of_a_limit_come_with_file_and_key(workplace_folder, limit, says):
    set_limits(workplace_folder, f'{{ telemetry-433 = "{limit}" }}')
    with pytest.raises(InputError) as raised:
        read(workplace_folder)
    message = str(raised.value)
    assert says in message
    assert "items.toml: items.PIG-0451.limits.telemetry-433: " in message


def test_a_margin_over_an_unknown_expectation_is_a_mistake(workplace_folder):
    set_limits(workplace_folder, '{ satellite = "expected + 0.3 dB" }')
    path = workplace_folder / "items.toml"
    path.write_text(re.sub(r"made_of = .*\n", "", path.read_text("utf-8")), "utf-8")
    with pytest.raises(InputError, match="say in made_of what the item is made of"):
        read(workplace_folder)


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ('rule = "guard band for risk"', "decision: \"guard band for risk\" needs the risk"),
        ('rule = "guard band U"\nrisk = "5 %"', "does not go by a risk"),
        ('rule = "simple"', "decision.rule: there is no 'simple' here"),
        ('rule = "guard band for risk"\nrisk = "60 %"', "decision.risk: "),
        ('rule = "guard band for risk"\nrisk = "0 %"', "decision.risk: "),
        ('rule = "guard band for risk"\nrisk = 0.01', "0.01 has no unit"),
        ('rule = "guard band for risk"\nrisks = "1 %"', "decision.risks: unknown key"),
    ],
)  # fmt: skip
def test_mistakes_of_a_rule_come_with_file_and_key(workplace_folder, table, says):
    use_rule(workplace_folder, table)
    with pytest.raises(InputError) as raised:
        read(workplace_folder)
    assert says in str(raised.value)
    assert "station.toml" in str(raised.value)


def test_an_item_has_the_stations_rule_or_its_own(workplace_folder):
    assert read(workplace_folder).items["PIG-0451"].decision is None
    use_rule(workplace_folder, 'rule = "guard band for risk"\nrisk = "1 %"')
    path = workplace_folder / "items.toml"
    replace(
        path, ("[items.PIG-0452]", '[items.PIG-0452]\ndecision = { rule = "simple acceptance" }')
    )
    workplace = read(workplace_folder)
    rules = {
        name: workplace.items[name].decision_rule(workplace.station)
        for name in ("PIG-0451", "PIG-0452")
    }
    assert rules["PIG-0451"] == DecisionRule("guard band for risk", 0.01)
    assert rules["PIG-0452"].name == "simple acceptance"


def test_limits_and_rule_of_a_run_stand_in_its_file_and_report(workplace_folder, monkeypatch):
    """Qualified on the simulated bench with a limit in doubt: the file alone gives the same."""
    text = (workplace_folder / "station.toml").read_text("utf-8")
    head, *bands = re.split(r"(?=^\[bands\.)", text, flags=re.MULTILINE)
    text = head + re.sub(r"points = \d+", "points = 3", bands[0] + bands[1])
    (workplace_folder / "station.toml").write_text(text, "utf-8")
    use_rule(workplace_folder, 'rule = "guard band for risk"\nrisk = "1 %"')
    set_limits(
        workplace_folder,
        '{ telemetry-433 = "expected + 0.01 dB", telemetry-868 = "2 dB * sqrt(f / 1 GHz)" }',
    )
    monkeypatch.chdir(workplace_folder)
    done = CliRunner().invoke(
        app, ["run", "qualify", "--insertions", "3", "--sweeps", "1", "--json"]
    )
    assert done.exit_code == 1, done.output
    (told,) = json.loads(done.stdout)["runs"]
    doubtful, good = told["bands"]
    assert doubtful["verdict"].startswith("conditional")
    assert "insertion" in doubtful["advice"]
    assert good["verdict"] == "pass"
    assert good["advice"] == ""
    np.testing.assert_allclose(good["limit_db"], 2 * np.sqrt(np.array(good["frequency_hz"]) / 1e9))
    for band in told["bands"]:
        assert "at most 1 %" in band["decision_rule"]
        assert band["guard_band_db"] > 0.0
        assert band["consumer_risk"] + band["producer_risk"] == pytest.approx(1.0)
    (path,) = (workplace_folder / "results").glob("*.h5")
    run, again = read_run(path), assess(path)
    assert {name: band.decision for name, band in run.bands.items()} == {
        name: band.decision for name, band in again.items()
    }
    shown = CliRunner().invoke(app, ["report", str(path)])
    assert "to decide telemetry-433: " in shown.stdout
    page = path.with_suffix(".html").read_text("utf-8")
    assert "Decision rule" in page
    assert "at most 1 %" in page.replace("\u00a0", " ")
    assert "expected + 0.01" in page
