"""`tareline expect` and `tareline catalogue` as people meet them, with the facts of the trade."""

import json
from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from drivers.errors import InputError, UnwritableError
from harness.analysis.expected.catalogue_files import load_catalogue
from harness.commands.cli import app
from harness.planning.expectation import ExpectedStanding, Job, as_json, candidate
from harness.station.starter_files import write_starter
from tests.long_cases import long


@pytest.fixture
def tareline(tmp_path, monkeypatch):
    """Runs a command in an empty folder, 80 columns wide."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("TERM", "dumb")

    def run(*arguments, status=0):
        result = CliRunner().invoke(app, [str(argument) for argument in arguments])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code == status, result.output
        return result.stdout

    return run


@pytest.fixture
def expect(tareline):
    """The document of `tareline expect ... --json`."""

    def run(*arguments, status=0):
        return json.loads(tareline("expect", *arguments, "--json", status=status))

    return run


def losses(document, place=0):
    return np.array(document["candidates"][place]["expected_db"])


def test_half_a_metre_of_thin_cable_through_the_command_line(expect):
    """Common practice, no source: 18 in of RG-316 with its connectors measures about 0.7, 1.0,
    1.3, 1.7 dB at 1.3, 2.4, 3.3, 5.8 GHz, leads' adapters included. Ratios between frequencies
    within 15 %, absolute values between 0.55 and 1.05 of these."""
    document = expect("RG-316 18 in + 2 x SMA", "--at", "1.3 GHz, 2.4 GHz, 3.3 GHz, 5.8 GHz")
    share = losses(document) / np.array([0.7, 1.0, 1.3, 1.7])
    assert np.all((share >= 0.55) & (share <= 1.05))
    assert share.max() / share.min() < 1.15


@pytest.mark.parametrize(
    ("chain", "ghz", "low", "high"),
    [
        ("RG-402 0.15 m + 2 x SMA semi-rigid", 5.8, 0.2, 0.3),
        ("SMA straight adapter", 5.8, 0.08, 0.12),
        ("right-angle SMA adapter", 5.8, 0.35, 0.45),
        ("SMA right-angle adapter", 2.4, 0.08, 0.12),
        ("45-degree SMA adapter", 5.8, 0.08, 0.12),
        ("RG-316 500 mm + 2 SMA", 2.4, 0.0, 1.0),
        ("RG-316 1 m + 2 SMA", 2.4, 1.0, 2.0),
    ],
)
def test_facts_of_the_trade_through_the_command_line(expect, chain, ghz, low, high):
    """Common practice, no source: a 0.15 m semi-rigid jumper loses 0.2 to 0.3 dB at 5.8 GHz, a
    straight or 45-degree adapter about 0.1 dB there, a sharp right angle about 0.4 dB and 0.1 dB
    at 2.4 GHz; 1 dB, at which a loss is noticed, lies between half a metre and a metre."""
    assert low <= losses(expect(chain, "--at", f"{ghz} GHz"))[0] <= high


def test_the_breakdown_adds_up_and_names_sources(expect):
    document = expect("RG-316 450 mm + 2 x SMA + SMA right-angle adapter")
    assert document["schema"] == "tareline-expected/1"
    (candidate,) = document["candidates"]
    parts = candidate["parts"]
    assert [part["name"] for part in parts] == ["RG-316", "SMA", "SMA right-angle adapter"]
    assert np.sum([p["loss_db"] for p in parts], axis=0) == pytest.approx(losses(document))
    u = np.sqrt(np.sum(np.square([p["standard_uncertainty_db"] for p in parts]), axis=0))
    assert u == pytest.approx(np.array(candidate["standard_uncertainty_db"]))
    total = np.sum([p["maximum_db"] for p in parts], axis=0)
    assert total == pytest.approx(np.array(candidate["maximum_db"]))
    assert all(len(part["source"]) > 10 for part in parts)
    a = losses(document)
    assert candidate["range_lost"] == pytest.approx(1 - 10 ** (-a / 20))
    assert candidate["power_lost"] == pytest.approx(1 - 10 ** (-a / 10))


CHAINS = st.lists(
    st.sampled_from(
        ["RG-316", "rg-58 1 m", "450 mm", "+", "2", "x", "SMA", "[red]", "nan m", "-1 m", "×", "é"]
    ),
    max_size=6,
).map(" ".join)


@given(CHAINS, st.sampled_from([None, 0.5]), st.booleans())
def test_whatever_is_written_there_is_an_answer(text, longest_under_db, by_maximum):
    """A chain is judged, or refused as input; no other exception comes out."""
    job = Job(np.array([1e9, 5e9]), 20.0, 0.001, 1.0, by_maximum)
    with suppress(InputError):
        judged = candidate(text, job, load_catalogue(), longest_under_db=longest_under_db)
        document = json.dumps(as_json([judged], job), allow_nan=False)
        assert min(json.loads(document)["candidates"][0]["expected_db"]) > 0.0


def test_the_table_is_no_wider_than_the_terminal(tareline):
    out = tareline(
        "expect", "RG-316 450 mm + 12 x SMA swept right-angle adapter", "240-size foam 3 m + 2 N",
        "--limit", "3 dB", "--length-limits", "5 mm",
    )  # fmt: skip
    assert max(map(len, out.splitlines())) <= 80
    for word in ("433 MHz", "5.8 GHz", "together", "maximum", "limit 3 dB", "range lost", "±"):
        assert word in out
    assert out.index("1. 240-size foam") < out.index("2. RG-316")
    assert "No document is behind the figures of N" in out


@pytest.mark.parametrize(
    ("limit", "options", "standing", "status"),
    [
        # 0.158 +- 0.052 dB nominal, about 0.20 at most, at 2.4 GHz
        ("0.25 dB", [], ExpectedStanding.BELOW, 0),
        ("0.18 dB", [], ExpectedStanding.PROBABLY_BELOW, 1),
        ("0.14 dB", [], ExpectedStanding.PROBABLY_ABOVE, 1),
        ("0.08 dB", [], ExpectedStanding.ABOVE, 1),
        ("0.25 dB", ["--maximum"], ExpectedStanding.MAXIMUM_BELOW, 0),
        ("0.18 dB", ["--maximum"], ExpectedStanding.MAXIMUM_ABOVE, 1),
    ],
)
def test_against_a_limit(expect, limit, options, standing, status):
    chain = "RG-402 150 mm + 2 x SMA semi-rigid"
    document = expect(chain, "--at", "2.4 GHz", "--limit", limit, *options, status=status)
    assert document["candidates"][0]["standing"] == [standing]


def test_candidates_are_ranked_for_the_job(expect):
    """Least loss first; what misses the limit or its rating comes last, whatever it loses."""
    thin, thick, bayonet = "RG-316 3 m + 2 SMA", "400-size 3 m + 2 N", "600-size 2 m + 2 BNC"
    document = expect(thin, bayonet, thick, "--at", "5.8 GHz", "--limit", "2 dB")
    first, second, third = document["candidates"]
    assert (first["chain"], second["chain"], third["chain"]) == (thick, bayonet, thin)
    assert first["against"] == []
    assert second["against"] == ["BNC is rated to 4 GHz only."]
    assert "Loses more than 2 dB at 5.8 GHz." in third["against"]
    again = expect(thin, bayonet, thick, "--at", "2 GHz")
    assert [c["chain"] for c in again["candidates"]] == [bayonet, thick, thin]


def test_the_longest_length_keeps_the_limit(expect):
    document = expect(
        "RG-402 + 2 x SMA semi-rigid", "--longest-under", "1 dB", "--at", "1 GHz, 5 GHz"
    )
    longest = document["candidates"][0]["longest"]
    assert longest["cable"] == "RG-402"
    assert longest["assured_length_m"] < longest["length_m"]
    for length, extra in ((longest["length_m"], 0), (longest["assured_length_m"], 1)):
        chain = f"RG-402 {length!r} m + 2 x SMA semi-rigid"
        (candidate,) = expect(chain, "--at", "1 GHz, 5 GHz")["candidates"]
        u = np.array(candidate["expected_expanded_uncertainty_db"])
        assert max(candidate["expected_db"] + extra * u) == pytest.approx(1.0)
    by_most = expect("RG-402 + 2 x SMA semi-rigid", "--longest-under", "1 dB", "--maximum")
    assert by_most["candidates"][0]["longest"]["assured_length_m"] is None
    assert max(by_most["candidates"][0]["maximum_db"]) == pytest.approx(1.0)


def test_the_longest_cable_comes_first(expect):
    document = expect(
        "RG-405 + 2 SMA semi-rigid", "RG-402 + 2 SMA semi-rigid", "--longest-under", "1 dB"
    )
    assert [c["longest"]["cable"] for c in document["candidates"]] == ["RG-402", "RG-405"]


def test_warm_cable_loses_more(expect):
    cold, warm = (
        losses(expect("RG-402 1 m", "--at", "100 MHz", "--temperature", t))[0]
        for t in ("20 °C", "30 °C")
    )
    # NBS Handbook 100 (from memory): copper's resistance rises 0.393 %/K, its loss half of that
    assert warm / cold == pytest.approx(1.02, abs=0.001)


def test_items_and_parts_of_the_station_here(tareline, expect, tmp_path):
    write_starter(tmp_path)
    by_item = expect("--item", "ELB-0033", "--at", "2.4 GHz")
    by_chain = expect("SMA right-angle adapter", "--at", "2.4 GHz")
    assert by_item["temperature_c"] == 23.0
    assert by_item["candidates"][0]["item"] == "ELB-0033"
    of_cable = expect("--item", "PIG-0451", "--length-limits", "1 mm")
    assert of_cable["candidates"][0]["length_limits_m"] == pytest.approx(0.005)
    assert losses(by_item) == pytest.approx(losses(by_chain))
    own = '[joints."SMA right-angle adapter"]\nohmic_db = 0.2\nrelative_uncertainty = 0.1\n'
    (tmp_path / "my-parts.toml").write_text(own + 'source = "measured here"\n', "utf-8")
    station = tmp_path / "station.toml"
    text = station.read_text("utf-8").replace("# catalogue =", "catalogue =", 1)
    station.write_text(text, "utf-8")
    assert losses(expect("--item", "ELB-0033", "--at", "1 GHz")) == pytest.approx([0.2])
    assert "measured here" in tareline("catalogue", "SMA right-angle adapter")


@pytest.mark.parametrize("ending", ["png", *long("svg", "pdf")])
def test_a_figure_on_request(tareline, tmp_path, ending):
    path = tmp_path / f"loss.{ending}"
    out = tareline("expect", "RG-316 1 m + 2 SMA", "--limit", "9 dB", "--figure", path)
    assert "figure: " in out
    begins = {"svg": b"<?xml", "png": b"\x89PNG", "pdf": b"%PDF"}[ending]
    assert path.read_bytes().startswith(begins)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["RG-361 1 m"], "did you mean 'RG-316'"),
        (["RG-316"], "say how long"),
        (["RG-316 1 m +"], "a part is empty"),
        ([], "there is no chain"),
        (["RG-316 1 m", "--at", "2,4 GHz"], "'2' has no unit"),
        (["RG-316 1 m", "--at", "0 Hz"], "must be above zero"),
        (["RG-316 1 m", "--limit", "1"], "--limit: '1' has no unit"),
        (["RG-316 1 m", "--limit", "0 dB"], "must be above zero"),
        (["RG-316 1 m", "--length-limits", "-1 mm"], "must not be negative"),
        (["RG-316 1 m", "--temperature", "300 °C"], "is not between"),
        (["SMA", "--longest-under", "1 dB"], "there is no cable"),
        (["RG-316 + RG-58 + SMA", "--longest-under", "1 dB"], "more than one cable"),
        (["RG-316 + 100 SMA", "--longest-under", "1 dB"], "without any cable the chain loses"),
        (["RG-316 1 m", "--figure", "loss.xyz"], "no ending that is known"),
        (["--item", "X"], "there is no such file"),
        (["RG-316 1 m", "--station", "none.toml"], "there is no such file"),
    ],
)
def test_wrong_input_is_told(tareline, arguments, says):
    with pytest.raises(InputError, match=says) as raised:
        tareline("expect", *arguments)
    assert raised.value.exit_status == 2


def test_a_figure_that_cannot_be_written_is_file_trouble(tareline):
    with pytest.raises(UnwritableError, match=r"'none/loss\.svg' cannot be written") as raised:
        tareline("expect", "RG-316 1 m", "--figure", "none/loss.svg")
    assert raised.value.exit_status == 3


def test_the_catalogue_is_listed_and_explained(tareline):
    listed = tareline("catalogue")
    assert max(map(len, listed.splitlines())) <= 80
    for name in ("RG-58", "195-size foam", "U.FL-size", "SMA bulkhead adapter"):
        assert name in listed
    shown = tareline("catalogue", "rg142")
    assert max(map(len, shown.splitlines())) <= 80
    for word in ("farthest from the fit", "velocity factor 0.7", "source:", "rated to"):
        assert word in " ".join(shown.split())
    assert "torque 0.3 to 0.6 N m (3 to 5 in lbf)" in tareline("catalogue", "SMA")
    whole = json.loads(tareline("catalogue", "--json"))
    assert len(whole["parts"]) > 30
    assert all(part["source"] for part in whole["parts"])
    (one,) = json.loads(tareline("catalogue", "RG-316", "--json"))["parts"]
    assert max(map(abs, one["fitted"]["residual_in_standard_uncertainties"])) <= 2.0
    with pytest.raises(InputError, match="did you mean 'RG-400'"):
        tareline("catalogue", "RG-4000")
