"""Serving a bench: what it prints and logs, and that it ends when, and as, it should."""

import json
import re
import resource
import signal
import socket
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest

from drivers.errors import InputError, LinkError
from drivers.link.link import Link
from drivers.simulated.launch import SimulatedBenchProcess
from tests.forked_programs import ForkedProgram, carry_out
from tests.long_cases import long

BENCH = [sys.executable, "-m", "drivers.simulated", "simulated-bench.toml"]
TARELINE = [sys.executable, "-c", "from harness.commands.cli import main; main()", "simulate"]
INSTALLED = [str(Path(sys.executable).with_name("tareline")), "simulate"]
DEADLINE_S = 30.0
LOG_LINE = re.compile(r"\s*(\d+\.\d{6})  (\S+)\s+(\d+)  (->|<-|--|!!)  (.*)")


@contextmanager
def started(command: list[str], folder: Path, by: type[subprocess.Popen] = ForkedProgram):
    """A process with pipes, killed at the end if it is still there."""
    with by(
        command,
        cwd=folder,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def connected(address: str) -> socket.socket:
    """A connection whose end tells that of the process that serves it."""
    opened = socket.create_connection(("127.0.0.1", int(address.split("::")[2])), DEADLINE_S)
    opened.sendall(b"*IDN?\n")
    assert opened.recv(200).startswith(b"Tareline,Simulated")
    return opened


def is_over(connection: socket.socket) -> bool:
    with connection:
        try:
            return connection.recv(1) == b""
        except ConnectionResetError:
            return True


# How it ends.


@pytest.mark.parametrize(
    ("command", "number"),
    [
        (BENCH, signal.SIGINT), ([*TARELINE, "--json"], signal.SIGTERM),
        *long((BENCH, signal.SIGTERM), (BENCH, signal.SIGHUP),
              ([*TARELINE, "--json"], signal.SIGINT), ([*TARELINE, "--json"], signal.SIGHUP)),
    ],
)  # fmt: skip
def test_a_signal_ends_it_well(workplace_folder, command, number) -> None:
    ends_well(command, workplace_folder, number, ForkedProgram)


@pytest.mark.parametrize(
    "command", [[*INSTALLED, "--json"], pytest.param(BENCH, marks=pytest.mark.long)]
)
def test_it_begins_from_nothing_as_in_use(workplace_folder, command) -> None:
    ends_well(command, workplace_folder, signal.SIGTERM, subprocess.Popen)


def ends_well(command, folder, number, by) -> None:
    with started(command, folder, by) as process:
        addresses = json.loads(process.stdout.readline())
        connections = [connected(address) for address in addresses.values()]
        process.send_signal(number)
        out, err = process.communicate(timeout=DEADLINE_S)
        assert (process.returncode, out, err) == (0, "", "")
        assert all(map(is_over, connections))
    with pytest.raises(ConnectionRefusedError):
        connected(addresses["hand"])


def test_a_signal_ends_it_while_a_sweep_is_awaited(workplace_folder) -> None:
    with started([*BENCH, "--pace", "1e6"], workplace_folder) as process:
        addresses = json.loads(process.stdout.readline())
        with connected(addresses["analyzer"]) as connection:
            connection.sendall(b"INIT;*OPC?\n")
            with connected(addresses["analyzer"]):
                process.terminate()
                assert process.wait(DEADLINE_S) == 0


def test_it_ends_with_its_parent(workplace_folder) -> None:
    with started([*TARELINE, "--json"], workplace_folder) as process:
        addresses = json.loads(process.stdout.readline())
        connection = connected(addresses["hand"])
        process.kill()
        assert process.wait(DEADLINE_S) == -signal.SIGKILL
        assert is_over(connection)


def test_it_ends_when_its_input_does(workplace_folder) -> None:
    with started([*BENCH, "--until-eof"], workplace_folder) as process:
        process.stdout.readline()
        process.stdin.close()
        assert process.wait(DEADLINE_S) == 0


def test_a_bench_that_dies_is_told(workplace_folder) -> None:
    with started([*TARELINE, "--json"], workplace_folder) as process:
        process.stdout.readline()
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
        if not children.exists():
            pytest.skip("this system does not list the children of a process")
        subprocess.run(["kill", "-KILL", children.read_text().split()[0]], check=True)
        _, err = process.communicate(timeout=DEADLINE_S)
        assert process.returncode == 3
        assert "the simulated bench ended by itself" in err


# What it refuses.

WRONG = {
    "nothing there": (None, "there is no such file"),
    "not TOML": ("seed = ", "is not valid TOML"),
    "unknown key": ("sead = 3\n", "unknown key; did you mean 'seed'?"),
    "unknown fault": (
        'faults = [{ instrument = "analyzer", kind = "silense" }]\n', "did you mean 'silence'?"
    ),
    "unknown header": (
        'faults = [{ instrument = "analyzer", kind = "silence", on = "TRACE:DATE?" }]\n',
        "analyzer has no command 'TRACE:DATE?'",
    ),
}  # fmt: skip


@pytest.mark.parametrize(
    ("command", "mistake"),
    [
        *((BENCH, mistake) for mistake in WRONG),
        (TARELINE, "not TOML"),
        (TARELINE, "unknown header"),
    ],
)
def test_a_wrong_description_is_refused(workplace_folder, command, mistake: str) -> None:
    path = workplace_folder / "simulated-bench.toml"
    added, says = WRONG[mistake]
    if added is None:
        path.unlink()
    else:
        path.write_text(added + path.read_text("utf-8"), "utf-8")
    done = carry_out(command, cwd=workplace_folder, timeout=DEADLINE_S)
    assert (done.returncode, done.stdout) == (2, "")
    assert says in done.stderr
    assert "simulated-bench.toml" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("command", "options", "says"),
    [
        (BENCH, ["--log", "no/such/folder/log"], "traffic log cannot be written"),
        (TARELINE, ["--log", "no/such/folder/log"], "traffic log cannot be written"),
        (BENCH, ["--pace", "-1"], "--pace must not be negative"),
        (TARELINE, ["--seed", "-1"], "seed"),
    ],
)
def test_wrong_options_are_refused(workplace_folder, command, options, says: str) -> None:
    done = carry_out([*command, *options], cwd=workplace_folder, timeout=DEADLINE_S)
    assert (done.returncode, done.stdout) == (2, "")
    assert says in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "log", ["simulated-bench.toml", "./simulated-bench.toml", "link.toml", "hard.toml"]
)
def test_the_log_does_not_overwrite_the_description(workplace_folder, log: str) -> None:
    path = workplace_folder / "simulated-bench.toml"
    before = path.read_bytes()
    (workplace_folder / "link.toml").symlink_to(path)
    (workplace_folder / "hard.toml").hardlink_to(path)
    done = carry_out([*BENCH, "--log", log], cwd=workplace_folder, timeout=DEADLINE_S)
    assert done.returncode == 2
    assert "would overwrite the description" in done.stderr
    assert path.read_bytes() == before


@pytest.mark.parametrize("log", [".", "/dev/full"])
def test_a_log_that_takes_no_line_is_refused(workplace_folder, log: str) -> None:
    done = carry_out([*BENCH, "--log", log], cwd=workplace_folder, timeout=DEADLINE_S)
    assert done.returncode == 2
    assert "traffic log cannot be written" in done.stderr
    assert "Traceback" not in done.stderr


def test_clients_outlive_the_log_in_a_file(workplace_folder) -> None:
    with started([*BENCH, "--log", "traffic.log"], workplace_folder) as process:
        addresses = json.loads(process.stdout.readline())
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (300, 300))
        for _ in range(3):
            with connected(addresses["analyzer"]) as connection:
                connection.sendall(b"*TST?\n" * 20)
                assert connection.recv(2) == b"0\n"
        process.terminate()
        _, err = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == 0
    assert err.count("the traffic log ends here") == len(err.splitlines()) == 1


def test_clients_outlive_the_log_on_standard_error(workplace_folder) -> None:
    with started([*BENCH, "--log", "-"], workplace_folder) as process:
        addresses = json.loads(process.stdout.readline())
        process.stderr.close()
        for _ in range(3):
            connected(addresses["analyzer"]).close()
        process.terminate()
        assert process.wait(DEADLINE_S) == 0


def test_the_launcher_says_what_is_wrong(workplace_folder) -> None:
    with pytest.raises(InputError, match="no such file"):
        SimulatedBenchProcess(workplace_folder / "none.toml")
    with pytest.raises(InputError, match="did not start"):
        SimulatedBenchProcess(
            workplace_folder / "simulated-bench.toml", log=workplace_folder / "no" / "log"
        )


# What it prints and logs.


def test_people_get_a_list(workplace_folder) -> None:
    with started([*TARELINE, "--seed", "7"], workplace_folder) as process:
        lines = [process.stdout.readline()]
        while not lines[-1].startswith("Ctrl-C"):
            lines.append(process.stdout.readline())
        text = "".join(lines)
        assert "simulated-bench.toml, seed 7" in text
        assert "SIMULATED" in text
        resources = dict(re.findall(r"(\S+) +(TCPIP0::127\.0\.0\.1::\d+::SOCKET)", text))
        assert {"analyzer", "hand"} <= set(resources)
        assert re.search(r"analyzer .*SOCKET +analyzer\.resource\n", text)
        assert re.search(r"hand .*SOCKET +simulation\.hand\n", text)
        link = Link(resources["analyzer"])
        assert "SIM-7" in link.open()
        link.close()


def test_the_log_can_be_read_by_people_while_it_is_written(workplace_folder) -> None:
    path = workplace_folder / "traffic.log"
    with SimulatedBenchProcess(workplace_folder / "simulated-bench.toml", log=path) as process:
        link = Link(process.addresses["analyzer"], timeout_s=20.0)
        link.open()
        link.query("FORM REAL,64;:SWE:POIN 101;:INIT;*OPC?")
        link.query_block("TRAC? S21")
        link.close()
        hand, other = Link(process.addresses["hand"]), Link(process.addresses["analyzer"])
        hand.open()
        other.timeout_s = 0.2
        other.open()
        hand.write('FAULt:ARM "analyzer","second-client","on=SWE:POIN?"')
        hand.write('FAULt:ARM "analyzer","silence","on=*OPC?"')
        hand.query("*OPC?")
        assert other.query("SWE:POIN?") == "101"
        with pytest.raises(LinkError):
            other.query("*OPC?")
        lines = path.read_text("utf-8").splitlines()  # the bench still runs
        for each in (hand, other):
            each.close()
    assert lines[0].startswith("#")
    parsed = [LOG_LINE.fullmatch(line).groups() for line in lines[1:]]
    times = [float(time) for time, *_ in parsed]
    assert times == sorted(times)
    assert len({*times}) > 5
    analyzer = [row[2:] for row in parsed if row[1] == "analyzer"]
    assert analyzer[:7] == [
        ("1", "--", "opened"),
        ("1", "->", "*IDN?"),
        ("1", "<-", link.identity),
        ("1", "->", "FORM REAL,64;:SWE:POIN 101;:INIT;*OPC?"),
        ("1", "<-", "1"),
        ("1", "->", "TRAC? S21"),
        ("1", "<-", "#41616... 1616 bytes"),
    ]
    assert ("1", "--", "closed") in analyzer
    assert any(row[:2] == ("2", "!!") and row[2].startswith("silence: ") for row in analyzer)
    assert ("0", "->", "*RST") in analyzer  # what the second client says
    assert any(row[1] == "hand" and 'FAULt:ARM "analyzer","silence"' in row[4] for row in parsed)


def test_the_log_goes_to_standard_error_on_request(workplace_folder) -> None:
    with started([*TARELINE, "--json", "--log", "-"], workplace_folder) as process:
        with connected(json.loads(process.stdout.readline())["hand"]):
            pass
        process.terminate()
        _, err = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == 0
    assert any(LOG_LINE.fullmatch(line) and "*IDN?" in line for line in err.splitlines())
