"""Adapters mated two at a time, to find the loss of each one."""

from __future__ import annotations

from harness.bench.bench import Bench

TOLD_BY = "adapter-losses"
"""The command that tells what all pairs together say."""


def adapter_pairs(bench: Bench, insertions: int = 5, sweeps: int = 2) -> None:
    """Measure one pair like any item; all pairs together give the loss of each adapter.

    insertions: how often each pair is inserted, each time anew
    sweeps: sweeps of every band at each insertion
    """
    bench.normalize()
    for _ in bench.insertions(insertions):
        bench.sweep(sweeps)
    bench.check_normalization()
