"""Spot check of a lot: item after item by serial number, one normalization for many of them."""

from __future__ import annotations

from harness.bench.lot_bench import LotBench


def spot_check(
    bench: LotBench,
    insertions: int = 1,
    sweeps: int = 2,
    check_every: int = 10,
    check_after: str = "30 min",
) -> None:
    """Normalize once, then measure items as they come; check the zero every so often.

    An item that does not pass is inserted once more before it is condemned.

    insertions: how often each item is inserted at first
    sweeps: sweeps of every band at each insertion
    check_every: items after which the zero is checked; 0 goes by time alone
    check_after: time after which the zero is checked, if that comes first
    """
    bench.normalize()
    for _ in bench.items_by_serial(check_every, check_after):
        for _ in bench.insertions(insertions):
            bench.sweep(sweeps)
        for _ in bench.further_insertions():
            bench.sweep(sweeps)
    bench.check_normalization()
