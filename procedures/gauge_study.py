"""Gauge study: can this bench, with these operators, tell good items from bad ones?"""

from __future__ import annotations

from harness.bench.lot_bench import LotBench


def gauge_study(
    bench: LotBench,
    operators: str = "A, B",
    repeats: int = 3,
    sweeps: int = 2,
    check_every: int = 10,
    check_after: str = "30 min",
) -> None:
    """Every operator measures every item several times, in random order, one insertion each.

    operators: their names or letters, parted by commas
    repeats: how often each operator measures each item
    sweeps: sweeps of every band at each insertion
    check_every: items after which the zero is checked; 0 goes by time alone
    check_after: time after which the zero is checked, if that comes first
    """
    bench.normalize()
    for _ in bench.trials(operators, repeats, check_every, check_after):
        for _ in bench.insertions(1):
            bench.sweep(sweeps)
    bench.check_normalization()
