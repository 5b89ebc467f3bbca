"""Damaged run files: never a crash, never a wrong result presented as good.

Every mutant is read, verified and taken up in a process of its own kind that may die or hang
without the tests doing so; it tells which mutant it was at.
"""

import json
import os
import time
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

# what the worker needs is there before it is forked
import harness.report.files.result_json  # noqa: F401
from drivers.errors import InputError, RunFileError
from harness.evaluation.read_back import read_run
from harness.evaluation.run_analysis import finish
from harness.evaluation.verification import verify
from harness.report.files.result_json import as_dict
from harness.run_file import open_run, read_events, read_header, read_readings, take_up
from harness.run_file.figures import read_figures
from tests.harness.made_runs import Length, header, make_run

LONGEST_S = 120.0
PAGE = 512
TINY = Length(8, 7, check_every=4, through_sweeps=2, insert_every=3, temperature_every=2)


@pytest.fixture(scope="module")
def originals(tmp_path_factory):
    """A finished and an unfinished file of the same small run."""
    folder = tmp_path_factory.mktemp("originals")
    of = header(folder / "station", TINY.points)
    plain = {key: None if key == "made_of" else value for key, value in of.item.items()}
    plain = {key: value for key, value in plain.items() if value is not None}
    of = type(of)(**{**vars(of), "item": plain})
    finished = make_run(folder / "finished.h5", of, TINY)
    finish(finished, "2027-01-16T08:00:00+00:00")
    return {"finished": finished, "unfinished": make_run(folder / "unfinished.h5", of, TINY)}


def flipped(data, rng):
    data[rng.integers(len(data))] ^= 1 << int(rng.integers(8))


def cut_off(data, rng):
    del data[rng.integers(len(data)) :]


def page(data, rng):
    first = int(rng.integers(len(data))) // PAGE * PAGE
    return slice(first, min(first + PAGE, len(data)))


def zeroed(data, rng):
    rows = page(data, rng)
    data[rows] = bytes(rows.stop - rows.start)


def exchanged(data, rng):
    one, other = (int(n) * 8 for n in rng.integers(0, (len(data) - PAGE) // 8, 2))
    if abs(one - other) >= PAGE:
        data[one : one + PAGE], data[other : other + PAGE] = (
            data[other : other + PAGE], data[one : one + PAGE],
        )  # fmt: skip


def overwritten(data, rng):
    rows = page(data, rng)
    data[rows] = rng.integers(0, 256, rows.stop - rows.start, dtype=np.uint8).tobytes()


MUTATIONS = (flipped, cut_off, zeroed, exchanged, overwritten)


def mutant(original, seed):
    """Half of them have a bit flipped; the rest is worse."""
    rng = np.random.default_rng(seed)
    data = bytearray(original)
    (flipped if seed % 2 else MUTATIONS[seed // 2 % len(MUTATIONS)])(data, rng)
    return bytes(data)


def told(work, path):
    """What it says, or that it refused."""
    try:
        return work(path)
    except (InputError, RunFileError) as error:
        return f"refused: {type(error).__name__}"


def reported(path):
    return json.dumps(as_dict([read_run(path)]), sort_keys=True)


def listed(path):
    return repr({**vars(read_figures(path)), "path": None})


def verified(path):
    found = verify(path)
    return f"{found.state}: {found.item_sweeps} and {found.through_sweeps} {found.notes}"


def contents(path):
    with open_run(path) as file:
        head = {**vars(read_header(file)), "finished": ""}
        return repr((head, read_events(file), read_readings(file)))


def taken_up(path):
    take_up(path).close()
    return contents(path)


OTHER_WAYS = (contents, reported, listed, taken_up)


def look_at(path, works=(contents, reported, listed, verified, taken_up)):
    return {work.__name__: told(work, path) for work in works}


def work_through(original, folder, seeds):
    """What was found of each mutant, by seed; one that ended or stopped the worker is 'crashed'."""
    found, left, data = {}, list(seeds), original.read_bytes()
    deadline = time.monotonic() + LONGEST_S
    while left:
        log = folder / "log"
        log.unlink(missing_ok=True)
        worker = os.fork()
        if worker == 0:
            _work(data, folder / original.name, left, log)
        while os.waitpid(worker, os.WNOHANG)[0] == 0:
            if time.monotonic() > deadline:
                os.kill(worker, 9)
                os.waitpid(worker, 0)
                break
            time.sleep(0.02)
        lines = log.read_text().splitlines() if log.exists() else []
        for line in lines:
            seed, result = json.loads(line)
            found[seed] = result
        left = [seed for seed in left if seed not in found]
        if left:
            found[left.pop(0)] = {"worker": "crashed"}
    return found


def _work(data, path, seeds, log):
    status = 1
    try:
        with log.open("a", buffering=1) as told_to:
            for seed in seeds:
                path.write_bytes(mutant(data, seed))
                # each is verified, and met in one other way; which one goes round
                works = (verified, OTHER_WAYS[seed % len(OTHER_WAYS)])
                told_to.write(json.dumps([seed, look_at(path, works)]) + "\n")
        status = 0
    finally:
        os._exit(status)


@pytest.mark.parametrize(
    ("state", "count"),
    [
        ("finished", 9), ("unfinished", 18), pytest.param("finished", 150, marks=pytest.mark.long),
        pytest.param("unfinished", 360, marks=pytest.mark.long),
    ],
)  # fmt: skip
def test_no_mutant_is_taken_for_good(originals, tmp_path, state, count):
    original = originals[state]
    found = work_through(original, tmp_path, range(count))
    copy = tmp_path / "copy.h5"
    copy.write_bytes(original.read_bytes())
    right = look_at(copy)
    assert right["verified"].startswith("good" if state == "finished" else "unfinished")
    outcomes = Counter()
    for seed, result in found.items():
        assert "worker" not in result, f"seed {seed}: {result}"
        is_noticed = result["verified"] != right["verified"]
        for work in result.keys() - {"verified"}:
            is_same = result[work] == right[work]
            is_refused = result[work].startswith("refused")
            assert is_same or is_refused or is_noticed, f"seed {seed}: {work}"
            # what is stated of a finished run is right or not stated at all
            is_statement = work in ("reported", "listed") and state == "finished"
            assert not is_statement or is_same or is_refused, f"seed {seed}: {result[work]}"
        outcomes["noticed" if is_noticed else "the same"] += 1
    assert outcomes["noticed"] > count / 3, outcomes
    assert outcomes["the same"] > 0, outcomes


def test_a_run_of_an_earlier_version_is_still_read(tmp_path):
    """The sample was written before there were digests."""
    sample = Path(__file__).parents[3] / "results/sample/qualify-PIG-0451.h5"
    found = verify(sample)
    assert found.state == ("good" if found.has_digests else "unproven")
    assert found.has_digests == (not found.notes)
