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

    The item stays inserted. The zero is checked after every `check_every`, where
    a signal switch (or the simulated bench) joins the leads; else at the start
    and the end. `until` (as "0.05 dB") ends it early, once U is at most that in
    all bands. An instrument that fails, or starts anew, is waited for up to
    `patience`. Stopped on the way: tareline resume RUN.
    """
    bench.normalize()
    for _ in bench.scheduled(
        every, lasting, check_every=check_every, until=until, patience=patience
    ):
        bench.sweep(sweeps)
    bench.check_normalization()
