"""A trial of a stop signal: sent to a command at any instant, it must end the command in order."""

import shutil
import signal
import time
from dataclasses import dataclass, field
from functools import cached_property

from drivers.errors import InputError
from harness.evaluation.verification import verify
from harness.run_file import open_run
from tests.harness.command_line import Started, tareline
from tests.harness.short_run import ITEM, ask

NUMBERS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
LOT = ("PIG-0701", "PIG-0702", "PIG-0703", "PIG-0704")
LENGTHS = {"PIG-0705": "150 mm", "PIG-0706": "500 mm", "PIG-0707": "1200 mm"}
PAIRS = {"PIG-0708": ("T-01", "T-02"), "PIG-0709": ("T-01", "T-03"), "PIG-0710": ("T-02", "T-03")}
SHORT = ("--insertions", "2", "--sweeps", "1")
RUN, STOPPED = "qualified.h5", "stopped.h5"
COMMANDS = {
    "qualify": ("run", "qualify", "--item", ITEM, *SHORT),
    "overnight": (
        "run", "overnight", "--item", ITEM, "--every", "20 s", "--lasting", "3 min",
        "--check-every", "90 s",
    ),
    "cable-lengths": (
        "run", "cable-lengths", *SHORT, *(each for item in LENGTHS for each in ("--item", item)),
    ),
    "adapter-pairs": (
        "run", "adapter-pairs", *SHORT, *(each for item in PAIRS for each in ("--item", item)),
    ),
    "spot-check": (  # with a check of the zero that is put into finished files after two items
        "run", "spot-check", *SHORT, "--check-every", "2", "--serials", "lot.txt",
    ),
    "gauge-study": (
        "run", "gauge-study", "--operators", "Ann, Bo", "--repeats", "2", "--sweeps", "1",
        "--serials", "lot.txt",
    ),
    "resume": ("resume", STOPPED),
    "report": ("report", RUN),
    "certificate": ("certificate", RUN, "--page", "certificate.html", "--despite", "a study"),
    "export": ("export", RUN, "--csv", "tables", "--touchstone", "tables"),
}  # fmt: skip
LOTS = ("spot-check", "gauge-study")
INSTRUMENTS = ("run", "resume")
"""Commands that drive any, by their first word."""
WITHIN_S = 2.0
MOST_UNDER_WAY = 2
"""Sweeps that may still come to the disk."""
FORKED_S = 0.05
"""Before that the process that is forked may not be the command yet."""
UNHEEDED, LATE, RF_ON, SAID, FILES, LEFT = KINDS = (
    "unheeded", "late", "RF", "said", "files", "left",
)  # fmt: skip
"""What can be wrong: the command goes on to its end, or ends later than `WITHIN_S`; RF stays on;
there is a traceback; a run file cannot be verified; a part of a file is left."""


@dataclass
class StopOutcome:
    """What came of a trial."""

    command: str
    number: signal.Signals
    was_over: bool
    """Whether the command ended before, so that it counts for none."""
    took_s: float
    """From the signal to the end."""
    is_done: bool = False
    """Whether it had nothing left to do but to close and to tell."""
    problems: list = field(default_factory=list)
    """(kind, text) of each."""


class StoppingPlace:
    """A place with all that the commands need, made when it is first needed."""

    def __init__(self, place):
        self.bench, self._place = place.bench, place
        self._seconds = {}

    def seconds(self, name):
        """How long a command takes."""
        if name not in self._seconds:
            folder, begun_s = self.fresh(name), time.monotonic()
            ended = tareline(*COMMANDS[name], folder=folder)
            assert ended.returncode in (0, 1), f"{name}: {ended.stderr}"
            self._seconds[name] = time.monotonic() - begun_s
        return self._seconds[name]

    def fresh(self, name):
        """A folder in which a command can be carried out."""
        folder = self._fresh()
        if RUN in COMMANDS[name]:
            shutil.copy(self._finished, folder / RUN)
        if STOPPED in COMMANDS[name]:
            shutil.copy(self._stopped, folder / STOPPED)
        return folder

    @cached_property
    def _finished(self):
        folder = self._fresh()
        assert tareline(*COMMANDS["qualify"], folder=folder).returncode in (0, 1)
        return next(folder.glob("results/*.h5"))

    @cached_property
    def _stopped(self):
        folder = self._fresh()
        run = Started(COMMANDS["qualify"], folder, "")
        until_swept(run, folder)
        run.send_signal(signal.SIGKILL)
        run.finished()
        return next(folder.glob("results/*.h5"))

    def _fresh(self):
        folder = self._place.fresh()
        (folder / "lot.txt").write_text("\n".join(LOT), "utf-8")
        items = "".join(
            f'[items.{name}]\ncable_length = "{length}"\nlength_limits = "1 mm"\n'
            for name, length in LENGTHS.items()
        ) + "".join(
            f'[items.{name}]\nadapters = ["{one}", "{other}"]\n'
            for name, (one, other) in PAIRS.items()
        )
        with (folder / "items.toml").open("a") as file:
            file.write(items)
        return folder


def _sweeps(folder, name="qualify"):
    """How many are kept; of a lot those of the items, since one zero stands in many files."""
    kinds = ("insertions",) if name in LOTS else ("normalization", "insertions")
    return sum(_rows(path, kinds) for path in folder.rglob("*.h5"))


def _rows(path, kinds):
    try:
        with open_run(path) as file:
            return sum(len(band[kind]["time"]) for band in file["bands"].values() for kind in kinds)
    except InputError:
        return 0  # it is just being made, or put in place


def until_swept(run, folder):
    """Return once a sweep is kept."""
    while not _sweeps(folder / "results"):
        assert not run.has_ended(), run.finished().stderr
        time.sleep(0.005)


def stop_trial(place, name, number, random, wait=None):
    """Send a signal at a random instant, once or as a terminal does that closes (twice); or after
    `wait`."""
    delay_s = random.uniform(FORKED_S, place.seconds(name)) if wait is None else 0.0
    folder = place.fresh(name)
    before = {path.name for path in folder.rglob("*")}
    run = Started(COMMANDS[name], folder, "")
    if wait is None:
        time.sleep(delay_s)
    else:
        wait(run, folder)
    was_over = run.has_ended()
    sent_s = time.monotonic()
    for _ in range(1 + int(random.random() < 0.2)):
        run.send_signal(number)
    swept = _sweeps(folder, name)
    ended = run.finished()
    outcome = StopOutcome(name, number, was_over, time.monotonic() - sent_s)
    wrong = outcome.problems.append
    drives = COMMANDS[name][0] in INSTRUMENTS
    if drives and ask(place.bench, "analyzer", "OUTPut?") != "0":
        wrong((RF_ON, ""))
    if "Traceback" in ended.stderr or "Exception ignored" in ended.stderr:
        wrong((SAID, ended.stderr[-400:]))
    runs = sorted(folder.rglob("*.h5"))
    for path in runs:
        if problems := verify(path).problems:
            wrong((FILES, f"{path.name}: {problems[0]}"))
    if outcome.took_s > WITHIN_S:
        wrong((LATE, f"{outcome.took_s:.1f} s"))
    more = _sweeps(folder, name) - swept
    if more > MOST_UNDER_WAY:
        wrong((UNHEEDED, f"{more} sweeps were made after it"))
    if not was_over and ended.returncode not in (128 + number, -number):
        outcome.is_done = ended.returncode in (0, 1) and (not drives or _all_finished(runs, name))
        if not outcome.is_done:
            wrong((UNHEEDED, f"status {ended.returncode}: {ended.stderr[-300:]}"))
    left = [path for path in folder.rglob("*") if path.name.startswith(".")]
    if left and not before & {path.name for path in left}:
        wrong((LEFT, ", ".join(path.name for path in left)))
    shutil.rmtree(folder)
    return outcome


def _all_finished(runs, name):
    wanted = {"cable-lengths": len(LENGTHS), "adapter-pairs": len(PAIRS), "spot-check": len(LOT),
              "gauge-study": 4 * len(LOT)}.get(name, 1)  # fmt: skip
    finished = 0
    for path in runs:
        if path.name in (RUN, STOPPED) and name != "resume":
            continue
        with open_run(path) as file:
            finished += bool(file.attrs["finished"])
    return finished >= wanted
