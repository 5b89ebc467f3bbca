"""`tareline plan`: what it tells before anything is measured."""

import json
import re

import pytest
from typer.testing import CliRunner

from drivers.errors import InputError
from harness.bench.timetable import OVERHEAD_S, sweep_seconds, timetable
from harness.commands.cli import app
from harness.report.tables.plan_table import REMEDIES
from harness.running.finding_procedures import find_procedure
from harness.station.items import read_workplace
from tests.harness.set_ups import use_set_up
from tests.long_cases import long


@pytest.fixture
def folder(workplace_folder, monkeypatch):
    monkeypatch.chdir(workplace_folder)
    return workplace_folder


def plan(*arguments, width=80):
    return CliRunner().invoke(app, ["plan", *arguments], env={"COLUMNS": str(width)})


def planned(*arguments):
    done = plan(*arguments, "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document["schema"] == "tareline-plan/1"
    return document["items"]


def test_every_choice_is_compared(folder):
    (item,) = planned("--item", "PIG-0451", "--insertions", "3,10", "--sweeps", "1,4")
    assert item["item"] == "PIG-0451"
    choices = [(p["insertions"], p["sweeps"]) for p in item["plans"]]
    assert choices == [(3, 1), (10, 1), (3, 4), (10, 4)]
    few, many = (
        {band["name"]: band["expanded_uncertainty_db"] for band in p["bands"]}
        for p in item["plans"][2:]
    )
    assert len(few) == 5
    assert all(many[name] < few[name] for name in few)
    for each in item["plans"]:
        for band in each["bands"]:
            assert sum(band["verdict_probabilities"].values()) == pytest.approx(1.0)
            first = band["first"]
            assert first["expanded_uncertainty_without_db"] < band["expanded_uncertainty_db"]
            assert any(first["contribution"].startswith(known) for known in REMEDIES)


def test_connections_sweeps_and_time_are_those_of_the_procedure(folder):
    """Normalizing, three insertions and a closing check: five connections."""
    station = read_workplace(folder / "station.toml", folder / "items.toml").station
    (item,) = planned("--item", "PIG-0451", "--insertions", "3", "--sweeps", "2",
                      "--connecting", "90 s")  # fmt: skip
    (only,) = item["plans"]
    assert only["connections"] == 5
    assert only["all_sweeps"] == 5 * (4 + 3 * 2 + 4)
    sweeping_s = sum(14 * sweep_seconds(station, band) for band in station.bands)
    assert only["duration_s"] == pytest.approx(5 * 90 + sweeping_s)


def test_the_timetable_is_the_order_of_the_procedure(folder):
    station = read_workplace(folder / "station.toml", folder / "items.toml").station
    qualify = find_procedure("qualify").function
    times = timetable(lambda bench: qualify(bench, insertions=2, sweeps=3), station)
    made = times.plans["satellite"]
    assert made.making.tolist() == [0] * 4 + [1] * 4
    assert made.insertion.tolist() == [made.insertion[0]] * 3 + [made.insertion[3]] * 3
    assert made.insertion[0] != made.insertion[3]
    assert made.through_time[3] < made.item_time[0] < made.item_time[-1] < made.through_time[4]
    assert times.total_s >= made.through_time[-1]


@pytest.mark.parametrize("set_up", ["vector", "S21 alone", "stepped", "tracking", "recorded"])
def test_every_set_up_can_be_planned_for(folder, set_up):
    use_set_up(folder, set_up)
    station = read_workplace(folder / "station.toml", folder / "items.toml").station
    assert all(sweep_seconds(station, band) >= OVERHEAD_S for band in station.bands)
    (item,) = planned("--item", "PIG-0451", "--insertions", "4", "--sweeps", "2")
    assert all(band["expanded_uncertainty_db"] > 0.0 for band in item["plans"][0]["bands"])


def test_a_true_loss_beyond_the_limit_fails_and_one_on_it_is_in_doubt(folder):
    def verdicts(true_loss):
        (item,) = planned("--item", "PIG-0451", "--insertions", "10", "--true-loss", true_loss)
        (band,) = [b for b in item["plans"][0]["bands"] if b["name"] == "satellite"]
        return band["verdict_probabilities"], band["clear_verdict_probability"]

    far, clear = verdicts("2 dB")
    assert far["fail"] == clear == 1.0
    _, in_doubt = verdicts("0.8 dB")
    assert in_doubt < 0.1


def test_a_limit_of_the_item_is_not_needed(folder):
    text = (folder / "items.toml").read_text("utf-8")
    (folder / "items.toml").write_text(re.sub(r"limits = \{.*?\}\n", "", text), "utf-8")
    (item,) = planned("--item", "PIG-0451", "--insertions", "3")
    assert {band["clear_verdict_probability"] for band in item["plans"][0]["bands"]} == {None}
    assert "clear verdict" not in plan("--item", "PIG-0451", "--insertions", "3").stdout


@pytest.mark.long
def test_the_same_question_has_the_same_answer(folder):
    assert planned("--item", "JMP-0107") == planned("--item", "JMP-0107")


@pytest.mark.parametrize("width", [44, *long(80)])
def test_no_line_is_wider_than_the_terminal(folder, width):
    items = ("--item", "PIG-0451", "--item", "ELB-0033")
    shown = plan(*items, "--insertions", "1,5,10,20", width=width)
    assert shown.exit_code == 0
    assert max(len(line) for line in shown.stdout.splitlines()) <= width
    for words in ("PIG-0451", "ELB-0033", "work on first", "10 × 4", "backhaul-5600"):
        assert words in shown.stdout


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--insertions", "3,many"], "--insertions '3,many' is not a list of whole numbers"),
        (["--insertions", "0"], "is not a list of whole numbers from 1"),
        (["--sweeps", ""], "--sweeps '' is not a list"),
        (["--insertions", ",".join(map(str, range(1, 60)))], "more than"),
        (["--true-loss", "0.5"], "--true-loss: '0.5' has no unit"),
        (["--connecting", "-3 s"], "is below zero"),
        (["--noise", "3 dBm"], "--noise: "),
        (["--item", "PIG-0459"], "there is no such item; did you mean 'PIG-"),
        (["--makings", "0"], None),
    ],
)
def test_wrong_usage_is_told(folder, arguments, says):
    done = plan(*arguments)
    if says is None:
        assert done.exit_code == 2
    else:
        assert isinstance(done.exception, InputError)
        assert done.exception.exit_status == 2
        assert says in str(done.exception)


@pytest.mark.long
def test_monte_carlo_history_and_further_options(folder):
    """Where mismatch dominates, Monte Carlo's U is below the GUM's: its distribution ends."""
    ask = ("--item", "PIG-0451", "--insertions", "5", "--makings", "3", "--check-every", "2")
    (gum,) = planned(*ask)
    station = folder / "station.toml"
    text = re.sub(r"(?m)^\[uncertainty\]\n(?:.+\n)*", "", station.read_text("utf-8"))
    table = '[uncertainty]\nmethod = "monte carlo"\nhistory = "results"\n\n[leads]'
    station.write_text(text.replace("[leads]", table, 1), "utf-8")
    (carlo,) = planned(*ask)
    assert gum["plans"][0]["connections"] == 3 * 4 + 5
    assert any("no earlier run" in sentence for sentence in carlo["assumptions"])
    for one, other in zip(gum["plans"][0]["bands"], carlo["plans"][0]["bands"], strict=True):
        ratio = other["expanded_uncertainty_db"] / one["expanded_uncertainty_db"]
        assert 0.75 < ratio < 1.1
