"""One cable in several lengths, to tell its loss per metre from that of its connectors."""

from __future__ import annotations

from harness.bench.bench import Bench

TOLD_BY = "cable-model"
"""The command that tells what all lengths together say."""


def cable_lengths(bench: Bench, insertions: int = 5, sweeps: int = 2) -> None:
    """Measure one length like any item; all lengths together give the loss per metre.

    insertions: how often each length is inserted, each time anew
    sweeps: sweeps of every band at each insertion
    """
    bench.normalize()
    for _ in bench.insertions(insertions):
        bench.sweep(sweeps)
    bench.check_normalization()
