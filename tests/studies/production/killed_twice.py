"""The same command again and again, as a person would type it after a power cut."""

import time

from tests.studies.production.at_a_terminal import AtATerminal
from tests.studies.production.drawn_lot import KIND

LONGEST_MOMENT_S = 2.0


def measured(lot, kills, rng, *options, longest_moment_s=LONGEST_MOMENT_S, from_nothing=True):
    """Measure a lot, killed so many times; what was shown, exit statuses, and verdicts at kills."""
    arguments = [
        "run", "spot-check", "--kind", KIND, "--hands-free", "--serials", "serials.txt",
        "--results", "lot", *options,
    ]  # fmt: skip
    after = spread_over(rng, len(lot.serials), kills)
    shown, statuses, killed_at = b"", [], []
    bench = lot.started_bench()
    try:
        for attempt in range(kills + 1):
            shown += f"\n$ tareline {' '.join(arguments)}\n".encode()
            terminal = AtATerminal(arguments, lot.folder, from_nothing=from_nothing)
            if attempt < kills and not _ends_before(
                terminal, after[attempt] - sum(killed_at), float(rng.uniform(0.0, longest_moment_s))
            ):
                terminal.kill()
                killed_at.append(terminal.verdicts())
            terminal.read()
            shown += terminal.lines()
            statuses.append(terminal.finished())
            shown += b"\nKilled\n" if statuses[-1] < 0 else b""
        return shown.decode(), statuses, killed_at
    finally:
        bench.close()


def _ends_before(terminal, verdicts, moment_s):
    """Whether the command ends before a moment after so many verdicts."""
    if terminal.read(lambda: terminal.verdicts() >= verdicts):
        return True
    end = time.monotonic() + moment_s
    return terminal.read(lambda: time.monotonic() >= end)


def spread_over(rng, items, kills):
    """After how many verdicts to kill, in all: one within each equal part of the lot."""
    part = items / (kills + 1)
    return [int(part * (k + 0.5) + rng.integers(0, max(int(part / 2), 1))) for k in range(kills)]
