"""`tareline prove`: what it says, to people and to programs, and when it says no."""

import json
import re

import pytest
from typer.testing import CliRunner

from drivers.errors import InputError
from harness.commands.cli import app
from tests.harness.set_ups import SET_UPS, SWITCH, use_set_up
from tests.long_cases import long

QUICK = ["--item", "JMP-0107", "--campaigns", "200"]


@pytest.fixture
def run(workplace_folder, monkeypatch):
    """The command in the starting folder, with few points a band."""
    use_set_up(workplace_folder, "vector", points=11)
    monkeypatch.chdir(workplace_folder)
    monkeypatch.setenv("COLUMNS", "80")

    def invoke(*options):
        result = CliRunner().invoke(app, ["prove", *options], catch_exceptions=False)
        return result.exit_code, result.output

    return invoke


def test_the_starting_station_tells_the_truth(run):
    status, text = run(*QUICK)
    assert status == 0
    said = " ".join(text.split())
    for part in (
        "200 campaigns", "Saltmarsh Telemetry", "qualify (insertions 5, sweeps 4",
        "GUM (JCGM 100); seed 1", "tareline 0.", "No instrument took part", "U is true",
        "backhaul-5600", "passed beyond limit", "no return loss is taken to reflect 0.05",
    ):  # fmt: skip
        assert part in said, part


def test_programs_get_everything(run):
    status, text = run(*QUICK, "--json", "--insertions", "3", "--seed", "5")
    proof = json.loads(text)
    assert status == 0
    assert proof["schema"] == "tareline-proof/1"
    assert proof["parameters"]["insertions"] == 3
    assert proof["holds"] is True
    assert len(proof["bands"]) == 5
    for band in proof["bands"]:
        covered = band["coverage"]
        assert 0.0 <= covered["low"] <= covered["share"] <= covered["high"] <= 1.0
        assert covered["high"] >= 0.94
        points = len(band["frequency_hz"])
        assert len(band["coverage_by_frequency"]) == points
        assert len(band["mean_expanded_uncertainty_db"]) == points
        for row in band["verdicts"]:
            shares = [row[name]["share"] for name in ("pass", "conditional", "fail")]
            assert sum(shares) == pytest.approx(1.0)
        # far within the limit nothing fails, far beyond it nothing passes
        assert band["verdicts"][0]["fail"]["share"] == 0.0
        assert band["verdicts"][-1]["pass"]["share"] == 0.0
    _, again = run(*QUICK, "--json", "--insertions", "3", "--seed", "5")
    assert json.loads(again) == proof


def test_noise_that_a_procedure_cannot_see_is_told(run, workplace_folder):
    """One sweep of everything and one insertion show no noise; where it is large against the
    stated repeatability, U is not true, and the exit status says so."""
    (workplace_folder / "hasty.py").write_text(
        "from harness.bench.bench import Bench\n\n"
        "def hasty(bench: Bench) -> None:\n"
        "    bench.normalize(1)\n"
        "    for _ in bench.insertions(1):\n"
        "        bench.sweep()\n",
        "utf-8",
    )
    status, text = run(*QUICK, "--procedure", "./hasty.py", "--noise", "0.3 dB")
    assert status == 1
    assert "U is NOT true for JMP-0107 in" in " ".join(text.split())


def test_every_verdict_is_shown_on_request(run):
    status, text = run(*QUICK, "--verdicts")
    assert status == 0
    assert " ".join(text.split()).count("verdicts by true loss") == 5
    assert text.count("conditional") >= 5


@pytest.mark.parametrize("columns", [50, *long(80)])
def test_it_fits_a_narrow_terminal(run, monkeypatch, columns):
    monkeypatch.setenv("COLUMNS", str(columns))
    _, text = run(*QUICK, "--verdicts")
    assert max(len(line.rstrip()) for line in text.splitlines()) <= columns
    assert "…" not in text
    assert "backhaul-5600" in text


@pytest.mark.long
def test_monte_carlo_is_proved_where_the_station_asks_for_it(run, workplace_folder):
    path = workplace_folder / "station.toml"
    text, count = re.subn(r'method = "gum"', 'method = "monte carlo"', path.read_text("utf-8"))
    assert count == 1
    path.write_text(text, "utf-8")
    status, shown = run("--item", "JMP-0107", "--campaigns", "100", "--json")
    proof = json.loads(shown)
    assert status == 0
    assert proof["method"] == "monte carlo"
    assert all(len(band["frequency_hz"]) == 1 for band in proof["bands"])


def test_an_item_of_which_nothing_is_known_needs_a_loss(run, workplace_folder):
    (workplace_folder / "items.toml").write_text("[items.NEW-1]\n", "utf-8")
    with pytest.raises(InputError, match="nothing says what the item loses"):
        run("--campaigns", "100")
    status, text = run("--campaigns", "100", "--true-loss", "0.5 dB")
    assert status == 0
    assert "0.500 dB" in text
    assert "passed beyond limit" not in text  # it has no limit


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--noise", "0.002"], "--noise"),
        (["--noise", "-1 dB"], "negative"),
        (["--true-loss", "much"], "--true-loss"),
        (["--item", "JMP-0108"], "no such item"),
        (["--procedure", "qualfy"], "no procedure"),
    ],
)
def test_wrong_options_are_refused(run, options, said):
    with pytest.raises(InputError, match=said):
        run("--campaigns", "100", *options)


def test_a_procedure_of_ones_own_is_proved(run, workplace_folder):
    (workplace_folder / "spot_check.py").write_text(
        "from harness.bench.bench import Bench\n\n"
        "def spot_check(bench: Bench, sweeps: int = 2) -> None:\n"
        "    bench.normalize()\n"
        "    for _ in bench.insertions(3):\n"
        "        bench.sweep(sweeps)\n",
        "utf-8",
    )
    status, text = run(*QUICK, "--procedure", "./spot_check.py")
    assert status == 0
    assert "spot_check (sweeps 2)" in text
    with pytest.raises(InputError, match="no parameter 'insertions'"):
        run(*QUICK, "--procedure", "./spot_check.py", "--insertions", "2")


OTHERS = (*(name for name in SET_UPS if name != "stepped"), "switch", "recorded")


@pytest.mark.parametrize("name", ["stepped", *long(*OTHERS)])
def test_every_set_up_is_proved(run, workplace_folder, name):
    station = workplace_folder / "station.toml"
    if name == "switch":
        station.write_text(station.read_text("utf-8") + SWITCH, "utf-8")
    else:
        use_set_up(workplace_folder, name)
    status, text = run(*QUICK, "--json")
    assert status == 0, text
    shares = [band["coverage"]["share"] for band in json.loads(text)["bands"]]
    assert min(shares) > 0.93


def test_the_wider_the_limits_the_wider_the_interval(run, workplace_folder):
    """A station that states a poorer linearity gets a larger U, which is as true."""
    found = {}
    for limits in ("0.001 dB", "0.2 dB"):
        write_starter_linearity(workplace_folder, limits)
        status, text = run(*QUICK, "--json")
        assert status == 0
        found[limits] = json.loads(text)["bands"][0]["mean_expanded_uncertainty_db"][0]
    assert found["0.2 dB"] > 2 * found["0.001 dB"]


def write_starter_linearity(folder, limits):
    path = folder / "station.toml"
    text = re.sub(r"(?m)^linearity = .*\n", "", path.read_text("utf-8"))
    text, count = re.subn(r"(?m)^load_match = .*$", rf'\g<0>\nlinearity = "{limits}"', text)
    assert count == 1
    path.write_text(text, "utf-8")
