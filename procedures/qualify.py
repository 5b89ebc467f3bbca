"""Qualification of one item against its limits, with an uncertainty for every figure."""

from __future__ import annotations

from harness.bench.bench import Bench


def qualify(
    bench: Bench, insertions: int = 5, sweeps: int = 4, makings: int = 1, check_every: int = 0
) -> None:
    """Normalize, insert the item several times, sweep every band, check the zero.

    insertions: how often the item is inserted, each time anew
    sweeps: sweeps of every band at each insertion
    makings: how often the through is joined at every check, which shows how well it repeats
    check_every: insertions after which the zero is checked too; 0 checks it at the end only
    """
    bench.normalize(makings=makings)
    for insertion in bench.insertions(insertions):
        bench.sweep(sweeps)
        if check_every > 0 and insertion % check_every == 0 and insertion < insertions:
            bench.check_normalization(makings=makings)
    bench.check_normalization(makings=makings)
