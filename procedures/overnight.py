"""One item swept on schedule for hours, to see how steady its loss and the station are."""

from __future__ import annotations

from harness.bench.bench import Bench


def overnight(
    bench: Bench,
    every: str = "1 min",
    lasting: str = "8 h",
    check_every: str = "1 h",
    sweeps: int = 1,
    until: str = "",
    patience: str = "10 min",
) -> None:
    """Sweep every band on schedule, check the zero, wait for what fails.

    The item stays inserted. Stopped on the way: tareline resume RUN.

    every: time from one round of sweeps to the next
    lasting: how long it goes on
    check_every: time after which the zero is checked, where a signal switch or the simulated
        bench joins the leads; else it is checked at the start and the end
    sweeps: sweeps of every band in each round
    until: end early, once U is at most this in all bands, as in "0.05 dB"
    patience: how long an instrument that fails, or starts anew, is waited for
    """
    bench.normalize()
    for _ in bench.scheduled(
        every, lasting, check_every=check_every, until=until, patience=patience
    ):
        bench.sweep(sweeps)
    bench.check_normalization()
