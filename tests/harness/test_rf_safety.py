"""Every wire fault and every way to be killed: correct data or the right error, RF off, and
nothing lost that was kept. `pytest -s` shows the tables."""

import os
import signal
import sys
import time

import numpy as np
import pytest

from drivers.errors import AnswerError, LinkError, RefusedError, TarelineError
from drivers.link import Link
from drivers.simulated.description import read_description
from drivers.simulated.faults_kinds import KINDS
from drivers.simulated.launch import SimulatedBenchProcess
from drivers.simulated.truth import insertion_loss_db
from harness.items import read_workplace
from harness.measure import Assignment, measure
from harness.procedure import find_procedure
from harness.run_analysis import read_run
from harness.run_file import count_suspects, open_run, read_readings
from harness.starter_files import write_starter
from tests.harness.set_ups import replace, use_set_up

BAND = "telemetry-868"
ITEM = "PIG-0451"
TIMEOUT_S = 0.5
DEADLINE_S = 10.0
"""For a whole short run, whatever happens in it; nothing may hang."""
SWEEPS = 4 + 3 + 4
"""Two normalizations of four sweeps, and three insertions of one."""
INSTRUMENTS = ("analyzer", "generator", "power_meter", "spectrum_analyzer")


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    write_starter(folder)
    with SimulatedBenchProcess(folder / "simulated-bench.toml") as process:
        process.folder = folder
        yield process


def workplace_on(bench, folder, set_up):
    """A station on the running bench, with one short band and little patience."""
    write_starter(folder)
    use_set_up(folder, set_up, points=11, bands=(BAND,))
    station = folder / "station.toml"
    replace(station, ('bench = "simulated-bench.toml"', f'hand = "{bench.addresses["hand"]}"'))
    text = station.read_text("utf-8").replace('timeout = "5 s"\n', "")
    for role in INSTRUMENTS:
        text = text.replace(
            f"[{role}]", f'[{role}]\nresource = "{bench.addresses[role]}"\ntimeout = "500 ms"'
        )
    station.write_text(text, "utf-8")
    return read_workplace(station, folder / "items.toml")


def carry_out(workplace, results):
    """The main job, as short as it can be with an uncertainty; raises as the command does."""
    procedure = find_procedure("qualify")
    return measure(
        workplace,
        workplace.choose([ITEM]),
        Assignment(procedure, {"insertions": 3, "sweeps": 1}, results),
    )


@pytest.fixture
def ask(bench):
    """Ask an instrument of the bench on a connection of one's own."""
    links = []

    def ask(role, query):
        link = Link(bench.addresses[role])
        link.open()
        links.append(link)
        return link.query(query)

    yield ask
    for link in links:
        link.close()


def arm(bench, *texts):
    hand = Link(bench.addresses["hand"])
    hand.open()
    hand.write("FAULt:CLEar")
    if texts:
        hand.write("FAULt:ARM " + ",".join(f'"{text}"' for text in texts))
    error = hand.query("SYSTem:ERRor:NEXT?")
    assert error.startswith("0"), error
    waiting = hand.query("FAULt:ARMed?")
    hand.close()
    return waiting


def struck(bench):
    hand = Link(bench.addresses["hand"])
    hand.open()
    left = hand.query("FAULt:ARMed?").strip('"')
    hand.close()
    return not left


READ, START, STOP = "on=TRACe:DATA?", "on=INITiate:IMMediate", "on=SENSe:FREQuency:STOP"
AT = {"clipped-setting": STOP, "endless-sweep": START, "restart": START, "power-trip": START,
      "error-flood": START}  # fmt: skip
"""Where a kind strikes that acts on messages; all others strike when a trace is read."""
ERRORS = {
    "silence": LinkError, "late-answer": LinkError, "slow-drip": LinkError,
    "half-answer": LinkError, "drop-before": LinkError, "drop-inside": LinkError,
    "drop-after": LinkError, "wrong-length": (LinkError, AnswerError),
    "wrong-byte-order": AnswerError, "not-a-number": AnswerError, "wrong-points": AnswerError,
    "garbage": AnswerError, "clipped-setting": AnswerError, "endless-sweep": LinkError,
    "restart": (LinkError, AnswerError, RefusedError), "power-trip": (AnswerError, RefusedError),
    "error-flood": RefusedError, "second-client": (AnswerError, RefusedError, LinkError),
}  # fmt: skip
"""What a fault is called that does not pass."""
_outcomes = {}


@pytest.fixture(scope="module", autouse=True)
def table():
    yield
    if _outcomes:
        print(f"\n\n{'fault':17}{'at':19}{'once':41}for ever")
        for (kind, at), found in sorted(_outcomes.items(), key=lambda row: row[0][::-1]):
            print(f"{kind:17}{at:19}{found.get('once', ''):41}{found.get('for ever', '')}")


def outcome(kind, at, times, text):
    _outcomes.setdefault((kind, at), {})[times] = text


def recovered(path, suspects, took_s):
    """How a run came through, in words for the table."""
    fresh = sum(event.kind == "recovery" for event in read_run(path).events)
    marked = f", {suspects} marked suspect" if suspects else ""
    return f"recovered ({fresh} fresh{marked}), {took_s:.1f} s"


def kept_sweeps(results):
    (path,) = results.glob("*.h5")
    with open_run(path) as file:
        (band,) = read_readings(file).values()
        return len(band.normalization_time) + len(band.insertion_time), sum(
            count_suspects(file).values()
        )


def assert_true_loss(bench, path):
    """The stated loss agrees with that of an ideal bench."""
    (result,) = read_run(path).bands.values()
    description = read_description(bench.folder / "simulated-bench.toml")
    truth_db = insertion_loss_db(description, ITEM, result.frequency_hz)
    off = np.abs(result.insertion_loss_db - truth_db)
    assert np.all(off <= result.expanded_uncertainty_db), off.max()
    assert off.max() < 0.05


def test_every_kind_of_fault_is_looked_at():
    assert set(ERRORS) == set(KINDS)


@pytest.mark.parametrize("times", ["once", "for ever"])
@pytest.mark.parametrize("kind", list(KINDS))
def test_a_fault_is_survived_or_told(bench, tmp_path, ask, kind, times):
    """One that passes costs a fresh start; one that stays is an error that says what it is."""
    workplace = workplace_on(bench, tmp_path, "vector")
    results = tmp_path / "results"
    nth = 1 if AT.get(kind, READ) == STOP else 6
    arm(
        bench, "analyzer", kind, AT.get(kind, READ), f"nth={nth}",
        f"count={1 if times == 'once' else 0}",
    )  # fmt: skip
    begun = time.monotonic()
    try:
        (path,) = carry_out(workplace, results)
    except TarelineError as error:
        failed = error
        path = None
    else:
        failed = None
    took_s = time.monotonic() - begun
    if times == "once":
        assert struck(bench), "the fault never came"
    arm(bench)
    assert ask("analyzer", "OUTPut?") == "0"
    assert took_s < DEADLINE_S
    sweeps, suspects = kept_sweeps(results)
    if failed is None:
        assert_true_loss(bench, path)
        assert sweeps == SWEEPS
        outcome(kind, "analyzer", times, recovered(path, suspects, took_s))
    else:
        assert isinstance(failed, ERRORS[kind]), repr(failed)
        assert failed.hint, "an error names a remedy"
        (unfinished,) = results.glob("*.h5")
        events = read_run(unfinished).events
        assert events[-1].kind == "error"
        outcome(kind, "analyzer", times, f"{type(failed).__name__}, {sweeps} kept, {took_s:.1f} s")
    if times == "once":
        assert failed is None, failed


@pytest.mark.parametrize(
    ("set_up", "role", "kind", "nth"),
    [
        ("stepped", "generator", "silence", 200),
        ("stepped", "generator", "power-trip", 200),
        ("stepped", "generator", "restart", 200),
        ("stepped", "generator", "second-client", 200),
        ("stepped", "power_meter", "drop-before", 200),
        ("stepped", "power_meter", "garbage", 200),
        ("stepped", "power_meter", "second-client", 200),
        ("tracking", "spectrum_analyzer", "half-answer", 60),
        ("tracking", "spectrum_analyzer", "power-trip", 60),
        ("tracking", "spectrum_analyzer", "restart", 60),
        ("tracking", "spectrum_analyzer", "second-client", 60),
    ],
)
def test_scalar_set_ups_survive_a_fault_too(bench, tmp_path, ask, set_up, role, kind, nth):
    """Wherever between two messages it strikes."""
    workplace = workplace_on(bench, tmp_path, set_up)
    arm(bench, role, kind, f"nth={nth}")
    begun = time.monotonic()
    (path,) = carry_out(workplace, tmp_path / "results")
    took_s = time.monotonic() - begun
    assert struck(bench), "the fault never came"
    assert ask("generator" if set_up == "stepped" else role, "OUTPut?") == "0"
    assert_true_loss(bench, path)
    sweeps, suspects = kept_sweeps(tmp_path / "results")
    assert sweeps == SWEEPS
    outcome(kind, role, "once", recovered(path, suspects, took_s))


PHASES = (
    "connecting", "normalizing", "waiting for a person", "sweeping", "reading", "storing",
    "analysing",
)  # fmt: skip
_killed = {}


@pytest.fixture(scope="module", autouse=True)
def kill_table():
    yield
    if _killed:
        print(
            f"\n\n{'killed while':22}"
            + "".join(f"{name:31}" for name in ("SIGINT", "SIGTERM", "SIGKILL"))
        )
        for phase in PHASES:
            found = _killed.get(phase, {})
            print(
                f"{phase:22}"
                + "".join(f"{found.get(n, ''):31}" for n in ("SIGINT", "SIGTERM", "SIGKILL"))
            )


def halt_in(phase, announce):
    """Have the run stop in a phase and tell: where the real work is done, before and after it."""
    import drivers.swept
    import harness.connected
    import harness.measure
    from drivers.network_analyzer import NetworkAnalyzer
    from harness.progress import PlainProgress
    from harness.run_file import RunJournal

    def halted(owner, name, *, before=False, nth=1):
        real = getattr(owner, name)
        calls = []

        def wrapped(*arguments, **named):
            calls.append(1)
            if before and len(calls) == nth:
                announce()
                signal.pause()
            result = real(*arguments, **named)
            if not before and len(calls) == nth:
                announce()
                signal.pause()
            return result

        setattr(owner, name, wrapped)

    {
        "connecting": lambda: halted(NetworkAnalyzer, "open"),
        "normalizing": lambda: halted(NetworkAnalyzer, "rf_on"),
        "waiting for a person": lambda: halted(PlainProgress, "ask", before=True),
        "sweeping": lambda: halted(drivers.swept, "await_completion", before=True, nth=6),
        "reading": lambda: halted(drivers.swept, "read_trace", nth=22),
        "storing": lambda: halted(RunJournal, "append", before=True, nth=6),
        "analysing": lambda: halted(harness.measure, "finish", before=True),
    }[phase]()


def run_until(phase, folder):
    """A child process that carries the job out up to a phase and halts there; its number."""
    readable, writable = os.pipe()
    child = os.fork()
    if child:
        os.close(writable)
        told = os.read(readable, 1)
        os.close(readable)
        assert told, "the run ended before it came to the phase"
        return child
    status = 70
    try:
        os.close(readable)
        os.chdir(folder)
        quiet = os.open("messages.txt", os.O_WRONLY | os.O_CREAT)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
        sys.argv = ["tareline", "run", "qualify", "--item", ITEM, "--insertions", "3"]
        halt_in(phase, lambda: os.write(writable, b"."))
        from harness.cli import main

        main()
        status = 0
    except SystemExit as ended:
        status = ended.code or 0
    finally:
        sys.stderr.flush()
        os._exit(status)


@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_killed_in_any_phase_rf_is_off_and_what_was_kept_can_be_read(
    bench, tmp_path, ask, phase, number
):
    arm(bench)
    with_person = phase == "waiting for a person"
    workplace_on(bench, tmp_path, "vector")
    if with_person:
        text = (tmp_path / "station.toml").read_text("utf-8")
        start, end = text.index("[simulation]"), text.index("[analyzer]")
        (tmp_path / "station.toml").write_text(text[:start] + text[end:], "utf-8")
    child = run_until(phase, tmp_path)
    was_on = ask("analyzer", "OUTPut?") == "1"
    assert was_on == (phase in ("normalizing", "sweeping", "reading", "storing"))
    kept = (
        sum(1 for _ in (tmp_path / "results").glob("*.h5")) and kept_sweeps(tmp_path / "results")[0]
    )
    begun = time.monotonic()
    os.kill(child, number)
    _, status = os.waitpid(child, 0)
    while ask("analyzer", "OUTPut?") != "0":
        assert time.monotonic() - begun < DEADLINE_S, "RF stayed on"
    took_s = time.monotonic() - begun
    messages = (tmp_path / "messages.txt").read_text("utf-8")
    assert "Traceback" not in messages, messages
    if number == signal.SIGKILL:
        assert os.WTERMSIG(status) == number
    else:
        assert os.waitstatus_to_exitcode(status) == 128 + number, messages
        assert f"stopped by {number.name}; RF is off" in messages
    if phase != "connecting":
        # a sweep that is being stored is not broken off, except by what breaks anything off
        is_stored = phase == "storing" and number != signal.SIGKILL
        assert kept_sweeps(tmp_path / "results")[0] >= kept + is_stored
    _killed.setdefault(phase, {})[number.name] = (
        f"RF {'on' if was_on else 'off'} -> off in {took_s:.1f} s, {kept} kept"
    )
