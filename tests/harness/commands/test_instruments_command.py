"""`tareline instruments` and `tareline dialect`, as a person types them."""

import json
import subprocess
import sys
import time

import pytest
from typer.testing import CliRunner

from drivers.dialects.dialect import dialect_text as shipped_text
from drivers.dialects.dialect import load_dialect
from drivers.errors import BusyError, InputError
from drivers.link.link import Link
from drivers.simulated.launch import SimulatedBenchProcess
from harness.commands.cli import app
from harness.running.instruments_found import _said
from harness.running.locks import lock_instruments
from harness.station.starter_files import write_starter

NOBODY = "TCPIP0::127.0.0.1::1::SOCKET"


def run(*words):
    return CliRunner().invoke(app, ["instruments", *map(str, words)], catch_exceptions=True)


@pytest.fixture(scope="module")
def addresses(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    write_starter(folder)
    with SimulatedBenchProcess(folder / "simulated-bench.toml") as process:
        yield process.addresses


@pytest.fixture
def station(workplace_folder, addresses):
    """The starting station with a real address instead of a bench of its own."""
    path = workplace_folder / "station.toml"
    text = path.read_text("utf-8")
    bench = next(line for line in text.splitlines() if line.startswith("bench"))
    text = text.replace(bench, f'hand = "{addresses["hand"]}"')
    path.write_text(text.replace("[analyzer]", f'[analyzer]\nresource = "{addresses["analyzer"]}"'))
    return path


def test_addresses_are_identified(addresses):
    result = run(addresses["analyzer"], addresses["power_meter"], "--json")
    assert result.exit_code == 0
    listed = json.loads(result.stdout)["instruments"]
    assert [one["resource"] for one in listed] == [addresses["analyzer"], addresses["power_meter"]]
    assert "Simulated network analyzer" in listed[0]["identity"]


def test_silent_addresses_are_listed_with_the_reason(addresses):
    result = run(NOBODY, addresses["generator"])
    assert result.exit_code == 3
    assert "no answer" in result.stdout
    assert "Simulated signal generator" in result.stdout


def test_the_station_names_address_dialect_and_ceiling(station, addresses):
    assert addresses["analyzer"] in run("--station", station).stdout
    result = run("--station", station, "--check", "network-analyzer", "--json")
    trial = json.loads(result.stdout)
    assert (result.exit_code, trial["good"]) == (0, True)
    assert trial["resource"] == addresses["analyzer"]
    names = [step["step"] for step in trial["steps"]]
    for name in ("identify", "configure", "read back", "sweep", "read", "errors"):
        assert name in names
    assert names[-1] == "RF off at the end"
    assert set(trial["steps"][0]) == {"step", "verdict", "sent", "received", "finding", "hint"}
    above = run("--station", station, "--check", "network-analyzer", "--power", "25 dBm")
    assert above.exit_code == 3
    assert "above the station's maximum" in above.stdout


def test_rf_goes_off_when_a_trial_is_killed(addresses):
    """The sweep never ends, so the trial is in it when it is killed with SIGKILL."""
    hand, other = Link(addresses["hand"]), Link(addresses["analyzer"])
    hand.open()
    other.open()
    hand.write('FAULt:ARM "analyzer","endless-sweep","on=INITiate:IMMediate"')
    assert hand.query("SYSTem:ERRor?").startswith("0")
    words = [addresses["analyzer"], "--check", "network-analyzer", "--timeout", "60 s"]
    process = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "from harness.commands.start import main; main()",
            "instruments",
            *words,
        ],
        stdout=subprocess.DEVNULL,
    )
    try:
        await_answer(other, "OUTPut?", "1")
        process.kill()
        await_answer(other, "OUTPut?", "0")
    finally:
        process.kill()
        process.wait()
        hand.close()
        other.close()


def await_answer(link, query, answer):
    deadline = time.monotonic() + 10.0
    while link.query(query) != answer:
        assert time.monotonic() < deadline, f"{query} does not become {answer}"


def test_a_failed_step_is_shown_with_its_hint(addresses):
    result = run(addresses["power_meter"], "--check", "network-analyzer", "--timeout", "300 ms")
    assert result.exit_code == 3
    assert "prepare: failed" in result.stdout
    assert "Undefined header" in result.stdout
    assert "not good yet" in result.stdout


def test_what_is_asked_again_and_again_is_shown_briefly(addresses, tmp_path):
    """The words for an empty error queue are mistaken, so that it is asked to the limit."""
    text = shipped_text("scpi-99-power-meter")
    asks = 'next_error = "SYSTem:ERRor:NEXT?"'
    assert asks in text
    mine = tmp_path / "mine.toml"
    mine.write_text(text.replace(asks, f'{asks}\nno_error = ["nothing"]'), "utf-8")
    result = run(addresses["power_meter"], "--check", "power-meter", "--dialect", mine)
    assert result.exit_code == 3
    assert result.stdout.count('<- 0,"No error"') == 3
    assert "... the same 97 times more" in result.stdout
    assert "put it into `no_error`" in result.stdout


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--check", "oscilloscope"], "there is no role 'oscilloscope'"),
        (["--check", "power-meter"], "no address of a power meter is known"),
        ([NOBODY, NOBODY, "--check", "power-meter"], "give one address"),
        ([NOBODY, "--check", "network-analyzer", "--dialect", "scpi-99-power-meter"],
         "is for a power meter; a network analyzer is wanted"),
        ([NOBODY, "--check", "network-analyzer", "--start", "2 GHz"], "--start below --stop"),
        ([NOBODY, "--check", "network-analyzer", "--power", "-10"], "has no unit"),
        ([NOBODY, "--check", "signal-switch"], "--channel"),
    ],
)  # fmt: skip
def test_wrong_options_are_told(words, says):
    result = run(*words)
    assert isinstance(result.exception, InputError)
    assert says in str(result.exception)


@pytest.mark.parametrize(
    ("count", "ends"),
    [
        (3, ["<- 0"]),
        (4, ["<- 0", "... the same once more"]),
        (7, ["<- 0", "... the same 4 times more"]),
        (3.5, ["<- 0", "-> R?"]),
        (4.5, ["<- 0", "... the same once more", "-> R?"]),
    ],
)
def test_repeats_are_counted(count, ends):
    """Half an exchange is a question that was not answered any more."""
    asked, answered = ("->", "R?"), ("<-", "0")
    said = list(_said(([asked, answered] * 7)[: int(2 * count)]))
    assert said[:6] == ["-> R?", "<- 0"] * 3
    assert said[5:] == ends


def test_dialects_are_listed_printed_and_copied(tmp_path):
    listing = CliRunner().invoke(app, ["dialect"]).stdout
    assert "scpi-99-signal-switch" in listing
    for option in ([], ["--as-written"]):
        printed = CliRunner().invoke(app, ["dialect", "scpi-99-power-meter", *option]).stdout
        (tmp_path / "mine.toml").write_text(printed, "utf-8")
        mine = load_dialect("mine.toml", relative_to=tmp_path)
        assert mine == load_dialect("scpi-99-power-meter")


def test_the_starting_station_needs_no_address(tmp_path):
    write_starter(tmp_path)
    result = run("--station", tmp_path / "station.toml", "--check", "network-analyzer")
    assert "no address of a network analyzer is known" in str(result.exception)


def test_an_instrument_that_a_run_drives_is_not_disturbed(addresses):
    """Neither by asking who it is nor by trying a dialect; both say who drives it."""
    address = addresses["power_meter"]
    with lock_instruments([address]):
        listed = run(address)
        tried = run(address, "--check", "power-meter")
    assert listed.exit_code == 3
    assert "not asked: the instrument is driven by process" in listed.stdout
    assert isinstance(tried.exception, BusyError)
