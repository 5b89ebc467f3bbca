"""The command after the end of a run: it always comes, knows how it went, and spoils nothing."""

import os
import signal
import time

import pytest

from harness.running.afterwards import LONGEST_MESSAGE, RunEnding, run_afterwards
from harness.running.locks import lock_instruments
from tests.harness.command_line import Started, tareline
from tests.harness.short_run import BAND, ITEM, arm, ask, kept_sweeps, station_on

TELL = (
    'printf "%s\\n" "$TARELINE_STATUS" "$TARELINE_RUNS" "$TARELINE_VERDICT" "$TARELINE_MESSAGE"'
    " > told; pwd; echo heard"
)
RUN = ("run", "qualify", "--item", ITEM, "--insertions", "3", "--sweeps", "1")
WITHIN_S = 20.0


def told(folder):
    """What the command was told: status, run files, verdict, message."""
    status, runs, verdict, message = (folder / "told").read_text("utf-8").splitlines()
    return int(status), runs.split(os.pathsep) if runs else [], verdict, message


@pytest.fixture
def folder(benches, tmp_path):
    arm(benches["vector"])
    station_on(benches["vector"], tmp_path, "vector")
    return tmp_path


def with_limit(folder, limit):
    items = folder / "items.toml"
    text = items.read_text("utf-8").replace(
        "[items.PIG-0451]", f'[items.PIG-0451]\nlimits = {{ {BAND} = "{limit}" }}', 1
    )
    items.write_text(text, "utf-8")


def test_after_a_good_run_and_apart_from_its_output(folder):
    with_limit(folder, "3 dB")
    ended = tareline(*RUN, "--json", "--then", TELL, folder=folder)
    assert ended.returncode == 0, ended.stderr
    (path,) = (folder / "results").glob("*.h5")
    assert told(folder) == (0, [str(path)], "pass", f"qualify of {ITEM}: pass")
    assert ended.stdout.startswith("{")
    assert "heard" not in ended.stdout
    assert "heard" in ended.stderr


def test_after_a_failed_verdict_and_its_own_failure_changes_nothing(folder):
    with_limit(folder, "0.001 dB")
    ended = tareline(*RUN, "--then", f"{TELL}; exit 5", folder=folder)
    assert ended.returncode == 1, ended.stderr
    assert told(folder)[0::2] == (1, "fail")
    assert "command after the run failed with exit status 5" in ended.stderr


def test_after_an_error_which_is_told_first(folder, benches):
    arm(benches["vector"], "analyzer", "silence", "on=*IDN?", "count=0")
    ended = tareline(*RUN, "--then", TELL, folder=folder)
    arm(benches["vector"])
    assert ended.returncode == 3
    status, runs, verdict, message = told(folder)
    assert (status, runs, verdict) == (3, [], "")
    assert "nothing came back" in message
    assert ended.stderr.index("tareline:") < ended.stderr.index("heard")


def test_after_a_stop_all_is_off_and_closed_and_a_second_stop_ends_the_waiting(folder, benches):
    bench = benches["vector"]
    os.mkfifo(folder / "begun")
    os.mkfifo(folder / "go")
    long = ["run", "qualify", "--item", ITEM, "--insertions", "300"]
    started = Started([*long, "--then", f"{TELL}; echo . > begun; read x < go"], folder, "")
    while not list(folder.glob("results/*.h5")) or kept_sweeps(folder / "results")[0] < 4:
        assert not started.has_ended()
        os.sched_yield()
    started.send_signal(signal.SIGTERM)
    assert (folder / "begun").read_text() == ".\n"
    assert ask(bench, "analyzer", "OUTPut?") == "0"
    with lock_instruments([bench.addresses["analyzer"]]):
        pass
    status, (run,), verdict, message = told(folder)
    assert (status, verdict) == (128 + signal.SIGTERM, "")
    assert message.startswith("stopped by SIGTERM; RF is off")
    assert run == str(next(folder.glob("results/*.h5")))
    assert kept_sweeps(folder / "results")[0] >= 4
    begun = time.monotonic()
    started.send_signal(signal.SIGINT)
    ended = started.finished()
    assert time.monotonic() - begun < WITHIN_S
    assert ended.returncode == 128 + signal.SIGTERM
    assert "not waited for any longer, because of SIGINT" in ended.stderr
    with open(folder / "go", "w") as gone:
        gone.write("\n")


@pytest.mark.parametrize(("run", "command", "whole"), [(0, 0, 0), (0, 7, 3), (1, 7, 1), (2, 7, 2)])
def test_exit_status_of_it_all(capfd, run, command, whole):
    assert run_afterwards(f"exit {command}", RunEnding(status=run)) == whole
    assert ("failed with exit status 7" in capfd.readouterr().err) == bool(command)


def test_texts_of_instruments_stay_texts(tmp_path, monkeypatch):
    """Whatever an instrument says is handed over as data, and cut to a length that can be."""
    monkeypatch.chdir(tmp_path)
    evil = "$(touch pwned); `touch pwned`\n\0" + "x" * 10 * LONGEST_MESSAGE
    assert run_afterwards(TELL, RunEnding(message=evil)) == 0
    assert told(tmp_path)[3].startswith("$(touch pwned); `touch pwned` xxx")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["told"]


def test_wrong_usage_is_told_to_the_command_as_well(tmp_path):
    ended = tareline("run", "qualify", "--then", TELL, folder=tmp_path)
    assert ended.returncode == 2
    assert told(tmp_path)[0] == 2
