"""States in which a power cut can leave a file that was being written, and a trial of each.

Of the pages that differ between two synchronized states each is there or is as it was; what is new
is zeros where it is not there. The size of the file may be the old one or the new one, whatever
became of its pages.
"""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass

import numpy as np

PAGE, SECTOR = 4096, 512
MOST_PROCESSOR_S, LONGEST_S = 30, 600.0
"""For a state, which takes one second; the second is for what waits without computing."""


@dataclass(frozen=True)
class Crash:
    """A state of the disk."""

    data: bytes
    after: int
    """The synchronized state before it."""
    kind: str


def crash(states, random):
    """One state drawn from all: which pages of which synchronization came to the disk."""
    after = int(random.integers(len(states) - 1))
    size = max(len(states[after]), len(states[after + 1]))
    old, new = (np.frombuffer(each.ljust(size, b"\0"), np.uint8) for each in
                states[after : after + 2])  # fmt: skip
    grain = PAGE if random.random() < 0.6 else SECTOR
    data = old.copy()
    places = range(0, size, grain)
    changed = [
        at for at in places if not np.array_equal(old[at : at + grain], new[at : at + grain])
    ]
    share = random.choice([0.2, 0.5, 0.8])
    for at in changed:
        if random.random() < share:
            data[at : at + grain] = new[at : at + grain]
    lags = random.random() < 0.3
    end = len(states[after]) if lags else size
    return Crash(data[:end].tobytes(), after, f"{grain} bytes{', size lags' if lags else ''}")


WORK = """
import json, resource, sys
from pathlib import Path
import h5py, numpy
from drivers.errors import TarelineError
from harness.evaluation.verification import verify
from harness.run_file import open_run, read_events, take_up
from harness.run_file.resumption import read_rows
from harness.running.watching import Watcher

def rows(file):
    return {f"{band} {kind}": count for (band, kind), count in read_rows(file).items()}

def told(work):
    try:
        return work()
    except TarelineError as error:
        return f"refused: {error}"

for line in sys.stdin:
    used_s = int(sum(resource.getrusage(resource.RUSAGE_SELF)[:2]))
    resource.setrlimit(resource.RLIMIT_CPU, (used_s + int(sys.argv[1]), resource.RLIM_INFINITY))
    path = Path(line.strip())
    answer = {}
    answer["verify"] = told(lambda: verify(path).state)
    answer["watch"] = told(lambda: Watcher(path).look(evaluates=False).sweeps)
    def resume():
        journal = take_up(path)
        with journal.open_for_reading() as file:
            found = rows(file)
        journal.close()
        return found
    answer["resume"] = told(resume)
    answer["again"] = told(lambda: verify(path).state)
    print(json.dumps(answer), flush=True)
"""


class Trier:
    """A process that looks at one state after the other, and is replaced when it hangs."""

    def __init__(self, folder):
        self._path = folder / "state.h5"
        self._worker = None

    def __call__(self, state):
        """What `verify`, `watch` and `resume` say of it; None where they hang or die."""
        if self._worker is None:
            self._worker = subprocess.Popen(
                [sys.executable, "-c", WORK, str(MOST_PROCESSOR_S)],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            )  # fmt: skip
        self._path.write_bytes(state.data)
        self._worker.stdin.write(f"{self._path}\n")
        self._worker.stdin.flush()
        answer = _line_within(self._worker.stdout, LONGEST_S)
        if not answer:
            self.close()
            return None
        return json.loads(answer)

    def close(self):
        """End the process."""
        if self._worker is not None:
            self._worker.kill()
            self._worker.communicate()
            self._worker = None


def _line_within(stream, seconds):
    import select

    ready, _, _ = select.select([stream], [], [], seconds)
    return stream.readline() if ready else ""


def problems(recording, state, answer):
    """What is wrong with what was said of a state, one text each."""
    if answer is None:
        return ["hang or crash"]
    found = []
    if answer["verify"] != "unfinished":
        found.append(f"verify: {answer['verify']}")
    if isinstance(answer["watch"], str):
        found.append(f"watch {answer['watch']}")
    if isinstance(answer["resume"], str):
        return [*found, f"lost: {answer['resume']}"]
    for (band, kind), count in recording.done[state.after].items():
        if answer["resume"].get(f"{band} {kind}", 0) < count:
            found.append(f"lost: {count - answer['resume'][f'{band} {kind}']} of {band}, {kind}")
    if answer["again"] != "unfinished":
        found.append(f"verify of the resumed: {answer['again']}")
    return found
