"""One trial: a run is killed, perhaps while it is resumed as well, and must come to its end."""

import time
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from drivers.errors import InputError
from harness.evaluation.read_back import read_run
from harness.evaluation.run_analysis import assess
from harness.evaluation.verification import verify
from harness.run_file import open_run, read_kept
from tests.harness.short_run import ITEM, ask
from tests.studies.survival.reported import FINISHED, FINISHING, Reporting, digest_of

COMMANDS = {
    "qualify": ("run", "qualify", "--item", ITEM, "--insertions", "3", "--sweeps", "3"),
    "overnight": (
        "run", "overnight", "--item", ITEM, "--every", "20 s", "--lasting", "4 min",
        "--check-every", "90 s",
    ),
}  # fmt: skip
PHASES = ("starting", "normalizing", "inserting", "sweeping", "finishing")
RESUMING = "resuming"
LOST, CLOSED, STUCK, DIFFERS, UNVERIFIED, RF_ON, MESSAGE = KINDS = (
    "lost", "shut", "stuck", "differs", "verify", "RF", "said",
)  # fmt: skip
"""What can be wrong: sweeps are lost, a file does not open, is not resumed, has another analysis or
is none to `verify`; RF stays on; there is a traceback or a false alarm."""
ROUNDING_DB = 1e-9
LONGEST_S = 30.0


@dataclass(frozen=True)
class Gap:
    """The time between two reports of a run, and what is done in it."""

    phase: str
    after: int
    """How many reports came before."""
    lasting_s: float


@dataclass
class Undisturbed:
    """A run that nobody kills: what it reports when, and what it comes to."""

    gaps: list[Gap]
    sweeps: int
    loss_db: dict
    uncertainty_db: dict
    resuming_s: float = 1.0
    """How long a resume takes, as seen last."""


@dataclass
class Outcome:
    """What came of a trial."""

    procedure: str
    phase: str
    kills: int = 0
    """In the phase; a command that ended before it was to be killed is none."""
    earlier_kills: int = 0
    """In other phases, to have something to resume."""
    reported: int = 0
    """Sweeps that were reported done by all the commands of the trial."""
    problems: list = field(default_factory=list)
    """(kind, text) of each."""
    seconds: float = 0.0


def undisturbed(place, procedure):
    """Carry a procedure out without disturbing it."""
    folder = place.fresh()
    run = Reporting(COMMANDS[procedure], folder)
    ended = run.until_end()
    assert ended.returncode == 0, ended.stderr
    path = run_file(folder)
    whole_s = time.monotonic() - run.begun
    assess(path)  # has what an analysis imports at hand, for the commands that are forked from here
    result = read_run(path)
    return Undisturbed(
        _gaps([*run.lines, (whole_s, {})]),
        len(run.kept()),
        {name: band.insertion_loss_db for name, band in result.bands.items()},
        {name: band.expanded_uncertainty_db for name, band in result.bands.items()},
    )


def _gaps(lines):
    """Between each two reports: the phase."""
    gaps, phase, before_s = [], "starting", 0.0
    for count, (at_s, line) in enumerate(lines):
        gaps.append(Gap(phase, count, max(at_s - before_s, 0.0)))
        before_s = at_s
        doing = line.get("doing", "")
        if doing in (FINISHING, FINISHED):
            phase = doing
        elif doing.startswith(("insertion", "inserting")):
            phase = "inserting"
        elif doing.startswith(("normalizing", "checking")):
            phase = "normalizing"
        elif doing.startswith(("tick", "waiting")) or ("kept" in line and phase == "inserting"):
            phase = "sweeping"
    return gaps


def run_file(folder):
    """The only run file; None where there is none yet."""
    found = sorted((folder / "results").glob("*.h5"))
    assert len(found) < 2, found
    return found[0] if found else None


def trial(place, procedure, phase, expected, random):
    """Kill a run in a phase, and have it resumed to its end; tells what is wrong, if anything."""
    begun_s = time.monotonic()
    outcome = Outcome(procedure, phase)
    folder = place.fresh()
    reported = []

    def check(command):
        reported.extend(command.kept())
        text = command.ended.stderr
        if "Traceback" in text or "RF may be ON" in text:
            outcome.problems.append((MESSAGE, text[-300:]))
        outcome.problems += missing(run_file(folder), reported)

    first = phase if phase != RESUMING else str(random.choice(PHASES[1:]))
    gaps = [gap for gap in expected.gaps if gap.phase == first]
    weights = np.array([gap.lasting_s for gap in gaps])
    gap = gaps[int(random.choice(len(gaps), p=weights / weights.sum()))]
    command = Reporting(COMMANDS[procedure], folder)
    was_killed = command.kill_after(gap.after, float(random.uniform(0.0, gap.lasting_s)))
    check(command)
    if phase == RESUMING:
        outcome.earlier_kills = int(was_killed)
    else:
        outcome.kills = int(was_killed)
    while phase == RESUMING and not _is_finished(folder):
        command = Reporting(_next(folder, procedure), folder)
        was_killed = command.kill_after(0, float(random.uniform(0.0, expected.resuming_s)))
        check(command)
        outcome.kills += was_killed
        if random.random() < 0.4:
            break
    if not _is_finished(folder):
        command = Reporting(_next(folder, procedure), folder)
        command.ended = command.until_end()
        expected.resuming_s = time.monotonic() - command.begun
        if command.ended.returncode != 0:
            outcome.problems.append((STUCK, command.ended.stderr[-300:]))
        check(command)
    if not outcome.problems:
        outcome.problems += differing(run_file(folder), expected)
    end_s = time.monotonic() + LONGEST_S
    while ask(place.bench, "analyzer", "OUTPut?") != "0":  # a guard may be about it
        if time.monotonic() > end_s:
            outcome.problems.append((RF_ON, ""))
            break
    outcome.reported = len(reported)
    outcome.seconds = time.monotonic() - begun_s
    return outcome


def _next(folder, procedure):
    """What a person does next: resume, or begin where nothing was begun."""
    path = run_file(folder)
    return COMMANDS[procedure] if path is None else ("resume", path.relative_to(folder))


def _is_finished(folder):
    path = run_file(folder)
    if path is None:
        return False
    with open_run(path) as file:
        return bool(file.attrs["finished"])


def missing(path, reported):
    """What is wrong with a run file of which these sweeps were reported done."""
    if path is None:
        return [(LOST, f"there is no file for {len(reported)} sweeps")] if reported else []
    try:
        verified = verify(path)
        return [*((UNVERIFIED, text) for text in verified.problems), *_missing(path, reported)]
    except InputError as error:
        return [(CLOSED, str(error))]


def _missing(path, reported):
    with open_run(path) as file:
        kept = read_kept(file).sweeps
        there, set_aside = set(), Counter()
        for band, group in file["bands"].items():
            for kind, index in (("normalization", "making"), ("insertions", "insertion")):
                part = group[kind]
                times, indices = part["time"][()], part[index][()]
                # what nobody had looked at when it stopped is kept, and does not count
                for making, suspect in zip(indices, part["suspect"][()], strict=False):
                    set_aside[(band, kind, int(making))] += bool(suspect)
                # of a sweep that was being stored, not every part need be there
                for making, time_s, readings in zip(
                    indices, times, part["readings"][()], strict=False
                ):
                    there.add((band, kind, int(making), float(time_s), digest_of(readings)))
    lost = [sweep for sweep in map(tuple, reported) if sweep not in there]
    problems = [(LOST, f"not there, or with other readings: {sweep}") for sweep in lost]
    for key, count in Counter(tuple(sweep[:3]) for sweep in reported).items():
        told = kept.get(key, 0) + set_aside[key]
        if told < count:
            problems.append((LOST, f"{key}: {count} were reported done, {told} are told of"))
    return problems


def differing(path, expected):
    """What is wrong with a finished run file."""
    run = read_run(path)
    problems = [] if verify(path).state == "good" else [(STUCK, "it is not finished and good")]
    for name, band in run.bands.items():
        apart_db = float(np.max(np.abs(band.insertion_loss_db - expected.loss_db[name])))
        if not apart_db <= ROUNDING_DB:
            problems.append((DIFFERS, f"{name}: the loss is {apart_db:.3g} dB off"))
    with open_run(path) as file:
        sweeps = sum(read_kept(file).sweeps.values())
    if sweeps == expected.sweeps:  # nothing was broken off, so U is the same as well
        for name, band in run.bands.items():
            u_db = expected.uncertainty_db[name]
            apart_db = float(np.max(np.abs(band.expanded_uncertainty_db - u_db)))
            if not apart_db <= 1e-2 * float(np.max(u_db)):
                problems.append((DIFFERS, f"{name}: U is {apart_db:.3g} dB off"))
    return problems
