"""The command line as a person or a scheduler meets it: messages, exit statuses, Ctrl-C."""

import json
import os
import pty
import random
import select
import signal
import subprocess
import sys
import time

import pytest

from drivers.instruments.hand import Hand
from drivers.link.link import Link
from harness.evaluation.read_back import read_run
from harness.run_file import open_run, read_readings
from tests.forked_programs import ForkedProgram
from tests.harness.command_line import FROM_NOTHING, Started, tareline
from tests.harness.set_ups import use_set_up
from tests.long_cases import long

SWEEPING = 1 << 3
DEADLINE_S, LOOK_EVERY_S = 30.0, 0.05
MESSAGES = 800
"""About as many as a run of two insertions has."""


def use_few_points(folder, *bands):
    """A station with these bands of few points, for what is the same for many."""
    use_set_up(folder, "vector", points=11, bands=bands)


def change(path, old, new):
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")


def use_running_bench(folder, process):
    """Point the station at a simulated bench that runs by itself."""
    station = folder / "station.toml"
    change(station, 'bench = "simulated-bench.toml"', f'hand = "{process.addresses["hand"]}"')
    change(station, "[analyzer]", f'[analyzer]\nresource = "{process.addresses["analyzer"]}"')


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["run", "qualfy"], "did you mean 'qualify'"),
        (["run", "qualify", "--item", "PIG-0499"], "there is no such item"),
        (["run", "qualify", "--insertions", "0"], "0 insertions were asked for"),
        (["run", "qualify", "--insertions", "many"], "--insertions"),
        (["run", "qualify", "--station", "none.toml"], "there is no such file"),
        (["report", "items.toml"], "is not a run file"),
        (["report", "none.h5"], "there is no run file"),
        (["truth", "items.toml"], "is not a run file"),
        (["init", "."], "already has station.toml"),
        (["weigh"], "weigh"),
        (["report"], "RUN"),
        (["run", "qualify", "--results", "items.toml"], "is not a folder"),
        (["run", "./fails.py"], "failed in rehearsal"),
    ],
)
def test_wrong_usage_is_status_2_with_a_message(workplace_folder, arguments, says):
    (workplace_folder / "fails.py").write_text("def fails(bench):\n    1 // 0\n", "utf-8")
    done = tareline(*arguments, folder=workplace_folder)
    assert done.returncode == 2
    assert says in done.stderr
    assert "Traceback" not in done.stderr
    assert not (workplace_folder / "results").exists()


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("maximum_power", "maximum_pwoer", "did you mean 'maximum_power'"),
        ('"1 kHz"', '"1"', "'1' has no unit"),
        ('"870 MHz"', '"800 MHz"', "stop is not above start"),
        ('"-10 dBm"', '"10 dBm"', "above maximum_power"),
        ("scpi-99-network-analyzer", "no-such-dialect", "neither shipped nor a file"),
        ("simulated-bench.toml", "other.toml", "there is no such file"),
    ],
)
def test_a_wrong_station_is_status_2_before_anything_is_sent(workplace_folder, old, new, says):
    change(workplace_folder / "station.toml", old, new)
    done = tareline("run", "qualify", folder=workplace_folder)
    assert done.returncode == 2
    assert says in done.stderr
    assert "Traceback" not in done.stderr


def test_check_finds_mistakes_and_says_when_there_are_none(workplace_folder):
    done = tareline("check", folder=workplace_folder)
    # RG-316 is made for 3 GHz, and the demo's pigtails serve 5.6 GHz
    told = " ".join(done.stderr.split())
    assert told.startswith(
        "! doubtful: items.PIG-0451, items.PIG-0452, kinds.pigtail-300: RG-316 is"
    )
    assert (done.returncode, done.stderr.count("doubtful")) == (0, 1)
    assert "5 bands, 5 items; no mistakes found" in done.stdout
    change(workplace_folder / "items.toml", '"5 mm"', '"5"')
    assert tareline("check", folder=workplace_folder).returncode == 2


def test_an_analyzer_that_is_not_there_is_status_3(workplace_folder, start_bench):
    process = start_bench()
    use_running_bench(workplace_folder, process)
    process.close()
    done = tareline("run", "qualify", folder=workplace_folder)
    assert done.returncode == 3
    assert "check that the instrument is on" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("resource", "status", "says"),
    [
        ("TCPIP0::127.0.0.1::99999::SOCKET", 2, "no port, which is 1 to 65535"),
        ("TCPIP0::no.such.host.invalid::5025::SOCKET", 3, "check that the instrument is on"),
        ("the one on the left", 2, "is no VISA address"),
        ("", 2, "is no VISA address"),
    ],
)
def test_impossible_addresses_are_explained(workplace_folder, resource, status, says):
    station = workplace_folder / "station.toml"
    text = station.read_text("utf-8")
    start, end = text.index("[simulation]"), text.index("[analyzer]")
    station.write_text(text[:start] + text[end:], "utf-8")
    change(station, "[analyzer]", f'[analyzer]\nresource = "{resource}"')
    done = tareline("run", "qualify", folder=workplace_folder)
    assert done.returncode == status
    assert says in done.stderr
    assert "Traceback" not in done.stderr


def test_what_cannot_be_written_is_file_trouble_with_the_name_that_was_asked_for(
    workplace_folder, recorded
):
    """A page, a table and a run file alike; the kernel lets nobody write into /proc."""
    (run,) = [recorded.path]
    for arguments, name in (
        (("report", run, "--page", "/proc/page.html"), "'/proc/page.html' cannot be written"),
        (("report", run, "--json", "--csv", "none/table.csv"), "'none/table.csv' cannot be"),
        (("certificate", run, "--page", "items.toml/c.html"), "'items.toml/c.html' cannot be"),
        (("export", run, "--csv", "/proc/tables"), f"'/proc/tables/{run.stem}.csv' cannot be"),
        (("init", "/proc/new"), "'/proc/new' cannot be written"),
        (("run", "qualify", "--item", "JMP-0107", "--results", "/proc/runs"), "where: /proc/runs/"),
    ):
        done = tareline(*arguments, folder=workplace_folder)
        assert done.returncode == 3, done.stderr
        assert name in done.stderr
        assert ".part" not in done.stderr
        assert ".new" not in done.stderr


@pytest.mark.parametrize("number", [signal.SIGINT, *long(signal.SIGTERM)])
def test_stopping_in_the_middle_of_a_sweep(workplace_folder, start_bench, number):
    """RF off as the analyzer itself says, the file opens with what was finished, the status is
    128 + the signal's number, and the message says how to go on."""
    process = start_bench(pace=1.0)
    use_running_bench(workplace_folder, process)
    change(workplace_folder / "station.toml", '"1 kHz"', '"200 Hz"')
    run = Started(
        ("run", "qualify", "--item", "PIG-0451", "--sweeps", "1"), workplace_folder, typed=""
    )
    other = Link(process.addresses["analyzer"])
    other.open()
    kept = wait_until_sweeping_after(other, workplace_folder / "results", at_least=1)
    assert other.query("OUTP?") == "1"
    run.send_signal(number)
    done = run.finished()
    message = done.stderr
    assert done.returncode == 128 + number
    assert other.query("OUTP?") == "0"
    assert not int(other.query("STAT:OPER:COND?")) & SWEEPING
    other.close()
    (path,) = (workplace_folder / "results").glob("*.h5")
    assert f"stopped by {number.name}; RF is off" in message
    assert str(path.relative_to(workplace_folder)) in message
    assert f"tareline resume {path.relative_to(workplace_folder)}" in message
    assert "Traceback" not in message
    with open_run(path) as file:
        assert len(read_readings(file)["telemetry-433"].normalization_time) >= kept
    stopped = read_run(path)
    assert stopped.finished == ""
    assert stopped.events[-1].kind == "stopped"
    report = tareline("report", path, folder=workplace_folder)
    assert report.returncode == 1
    assert "not finished" in report.stdout


def wait_until_sweeping_after(link, results, at_least):
    """Until so many sweeps are kept and the analyzer sweeps again; returns how many."""
    deadline = time.monotonic() + DEADLINE_S
    while time.monotonic() < deadline:
        for path in results.glob("*.h5"):
            with open_run(path) as file:
                kept = len(read_readings(file)["telemetry-433"].normalization_time)
            if kept >= at_least and int(link.query("STAT:OPER:COND?")) & SWEEPING:
                return kept
        time.sleep(LOOK_EVERY_S)
    raise AssertionError("the run did not come to its second sweep")


@pytest.mark.long
def test_losing_the_instrument_keeps_what_was_measured(workplace_folder, start_bench):
    process = start_bench(pace=1.0)
    use_running_bench(workplace_folder, process)
    change(workplace_folder / "station.toml", '"1 kHz"', '"200 Hz"')
    change(workplace_folder / "station.toml", '"5 s"', '"500 ms"')
    run = Started(
        ("run", "qualify", "--item", "PIG-0451", "--sweeps", "1"), workplace_folder, typed=""
    )
    other = Link(process.addresses["analyzer"])
    other.open()
    kept = wait_until_sweeping_after(other, workplace_folder / "results", at_least=1)
    other.close()
    process.close()
    done = run.finished()
    message = done.stderr
    assert done.returncode == 3
    assert "RF may be ON" in message
    assert "Traceback" not in message
    (path,) = (workplace_folder / "results").glob("*.h5")
    with open_run(path) as file:
        assert len(read_readings(file)["telemetry-433"].normalization_time) >= kept


def use_people(folder, process):
    """A station with the running analyzer, where a person makes the connections."""
    use_running_bench(folder, process)
    station = folder / "station.toml"
    text = station.read_text("utf-8")
    start, end = text.index("[simulation]"), text.index("[analyzer]")
    station.write_text(text[:start] + text[end:], "utf-8")


def join_the_leads(process):
    hand = Hand(Link(process.addresses["hand"]))
    hand.open()
    hand.connect_through()
    hand.close()


def test_leads_that_are_not_joined_are_asked_for_again_and_then_refused(
    workplace_folder, start_bench
):
    """A forgotten through would make everything after it look like a gain."""
    use_people(workplace_folder, start_bench())
    done = tareline("run", "qualify", "--item", "JMP-0107", folder=workplace_folder, typed="\n" * 9)
    assert done.returncode == 3
    assert done.stderr.count("Enter when it is done") == 3
    # the reason stands before each further prompt, and in the error
    parts = done.stderr.split("Enter when it is done")
    assert all("as if the leads were not joined" in part for part in parts[1:])
    (path,) = (workplace_folder / "results").glob("*.h5")
    with open_run(path) as file:
        assert len(read_readings(file)["telemetry-433"].normalization_time) == 0


def test_prompts_say_what_to_do_and_caution_once(workplace_folder, start_bench):
    process = start_bench()
    use_few_points(workplace_folder, "satellite")
    use_people(workplace_folder, process)
    join_the_leads(process)
    done = tareline(
        "run", "qualify", "--item", "JMP-0107", "--insertions", "2", "--sweeps", "1", "--json",
        folder=workplace_folder, typed="\n" * 6,
    )  # fmt: skip
    # nobody followed the prompts: the leads stay joined, and the "item" loses nothing
    prompts = done.stderr
    assert prompts.count("? This reads like the joined leads") == 2
    assert "is JMP-0107 in, and no other item?" in " ".join(prompts.split())
    assert prompts.count("Enter when it is done") == 4
    assert "Join the two leads with the adapter (SMA straight adapter, serial T-02)" in prompts
    assert "Put JMP-0107 between the leads (insertion 1 of 2)" in prompts
    assert "Undo JMP-0107, connect it again (insertion 2 of 2)" in prompts
    assert "SMA: 0.56 N m" in prompts
    assert prompts.count("transmitting needs a licence") == 1
    assert done.returncode == 1
    (run,) = json.loads(done.stdout)["runs"]
    assert run["bands"][0]["verdict"] is None
    assert "reads like the joined leads" in run["bands"][0]["doubts"][0]
    assert run["item"]["id"] == "JMP-0107"


def test_nobody_at_the_prompt_is_an_error_with_rf_off(workplace_folder, start_bench):
    process = start_bench()
    use_people(workplace_folder, process)
    done = tareline("run", "qualify", folder=workplace_folder)
    assert done.returncode == 2
    assert "nobody answers the prompt" in done.stderr
    link = Link(process.addresses["analyzer"])
    link.open()
    assert link.query("OUTP?") == "0"
    link.close()


def test_at_a_terminal_progress_is_a_bar(workplace_folder):
    """On a pseudo-terminal: the bar is drawn and taken away, the table comes on its own."""
    use_few_points(workplace_folder, "backhaul-5600")
    parent, child = pty.openpty()
    run = ForkedProgram(
        [*FROM_NOTHING, "run", "qualify", "--item", "JMP-0107", "--insertions", "2",
         "--sweeps", "1"],
        cwd=workplace_folder, stderr=child, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80"},
    )  # fmt: skip
    os.close(child)
    shown = bytearray()
    while True:
        try:
            chunk = os.read(parent, 4096)
        except OSError:  # the other end is closed
            break
        if not chunk:
            break
        shown += chunk
    table, _ = run.communicate(timeout=30)
    os.close(parent)
    assert run.returncode == 0
    assert "insertion 2 of 2" in shown.decode(errors="replace")
    assert "backhaul-5600" in table


MINE = '''
from harness.bench.bench import Bench

def once(bench: Bench, sweeps: int = 2, remark: str = "no remark") -> None:
    """One insertion, zero not checked."""
    bench.normalize()
    bench.note(remark)
    for _ in bench.insertions(1):
        bench.sweep(sweeps)
'''


def test_a_procedure_of_ones_own_is_a_file(workplace_folder):
    """Its parameters are options; what it leaves out is said, not hidden."""
    use_few_points(workplace_folder, "satellite")
    (workplace_folder / "once.py").write_text(MINE, "utf-8")
    helped = tareline("run", "./once.py", "--help", folder=workplace_folder)
    assert "--remark" in helped.stdout
    assert "One insertion, zero not checked." in helped.stdout
    done = tareline(
        "run", "./once.py", "--sweeps", "3", "--remark", "connector 2 is worn",
        "--item", "FDR-0012", folder=workplace_folder,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (path,) = (workplace_folder / "results").glob("*.h5")
    run = read_run(path)
    assert run.procedure == "once"
    assert run.parameters == {"sweeps": 3, "remark": "connector 2 is worn"}
    assert "connector 2 is worn" in [event.text for event in run.events]
    notes = " ".join(run.bands["satellite"].notes)
    assert "One insertion only" in notes
    assert "there the drift is the station's statement" in notes


FAILS_LATER = """
calls = []
def later(bench):
    calls.append(1)
    bench.normalize()
    for _ in bench.insertions(3):
        bench.sweep()
        if len(calls) > 1:
            raise RuntimeError("the torque wrench broke")
"""


def test_a_procedure_that_fails_on_the_way_keeps_its_sweeps(workplace_folder):
    use_few_points(workplace_folder, "satellite", "backhaul-5600")
    (workplace_folder / "later.py").write_text(FAILS_LATER, "utf-8")
    done = tareline("run", "./later.py", "--item", "JMP-0107", folder=workplace_folder)
    assert done.returncode == 3
    assert "the torque wrench broke" in done.stderr
    assert "later.py, line 9" in done.stderr
    assert "Traceback" not in done.stderr
    (path,) = (workplace_folder / "results").glob("*.h5")
    with open_run(path) as file:
        assert len(read_readings(file)["satellite"].insertion_time) == 1


@pytest.mark.parametrize("trials", [2, *long(12)])
def test_ctrl_c_at_any_instant_ends_in_order(workplace_folder, start_bench, trials):
    """Also in the middle of a query, whose late answer must not be taken for that to "is RF
    off?". Status 130 (or, had it just ended, that of a finished run), RF off, file readable."""
    process = start_bench()
    use_set_up(workplace_folder, "vector", points=11)
    use_running_bench(workplace_folder, process)
    other = Link(process.addresses["analyzer"])
    other.open()
    change(workplace_folder / "station.toml", "[leads]", '[traffic_log]\nfile = "log"\n\n[leads]')
    log = workplace_folder / "log"
    os.mkfifo(log)
    rng = random.Random(7)
    for trial in range(trials):
        results = workplace_folder / f"results-{trial}"
        run = Started(
            ("run", "qualify", "--item", "JMP-0107", "--insertions", "2", "--results", results),
            workplace_folder,
            typed="",
        )
        reader = os.open(log, os.O_RDONLY | os.O_NONBLOCK)
        wait_for_messages(reader, rng.randrange(MESSAGES), run)
        run.send_signal(signal.SIGINT)
        # a log that nobody reads would hold the run up
        wait_for_messages(reader, sys.maxsize, run)
        os.close(reader)
        done = run.finished()
        assert done.returncode in (0, 130), done.stderr
        assert "Traceback" not in done.stderr
        assert "Exception ignored" not in done.stderr
        assert other.query("OUTP?") == "0"
        for path in results.glob("*.h5"):
            read_run(path)
    other.close()


def wait_for_messages(log, count, run):
    """Until the traffic log has so many more lines, or the run has ended."""
    while count > 0 and not run.has_ended():
        if select.select([log], [], [], 0.2)[0]:
            said = os.read(log, 512)
            if not said:
                return
            count -= said.count(b"\n")
