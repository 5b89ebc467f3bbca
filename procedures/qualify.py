"""Qualification of one item against its limits, with an uncertainty for every figure."""

from __future__ import annotations

from harness.bench import Bench


def qualify(bench: Bench, insertions: int = 5, sweeps: int = 4) -> None:
    """Normalize, insert the item several times, sweep every band, check the zero."""
    bench.normalize()
    for _ in bench.insertions(insertions):
        bench.sweep(sweeps)
    bench.check_normalization()
