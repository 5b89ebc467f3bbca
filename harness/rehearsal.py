"""A procedure gone through once with nothing connected, before RF is ever on.

It finds mistakes in a procedure while they cost nothing, and tells how much work it is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import nullcontext
from dataclasses import dataclass, field

import numpy as np

from drivers.errors import InputError
from drivers.sweep import S_PARAMETERS, Sweep, SweepSettings
from harness.bench import Bench, Equipment
from harness.results import Event
from harness.run_file import Kind

MOST_SWEEPS = 1_000_000


@dataclass
class Workload:
    """What a procedure asks for."""

    sweeps: int = 0
    connections: int = 0
    swept: set[tuple[Kind, str]] = field(default_factory=set)
    """Which of through and item was swept in which band."""


class _StandIn:
    """Takes the place of instruments, operator, run file and display, and counts."""

    traces = S_PARAMETERS

    def __init__(self) -> None:
        self.work = Workload()
        self._settings: SweepSettings | None = None

    def configure(self, settings: SweepSettings) -> None:
        self._settings = settings

    def sweep(self) -> Sweep:
        if self._settings is None:
            raise AssertionError("the Bench configures before it sweeps")
        grid = self._settings.frequency_hz()
        return Sweep(grid, S_PARAMETERS, np.ones((len(S_PARAMETERS), len(grid)), complex), 0.0)

    def rf_on(self) -> None: ...

    def rf_off(self) -> None: ...

    def recover(self) -> None: ...

    def confirm(self) -> None: ...

    def make_safe(self) -> None: ...

    def connect_through(self, *, again: bool) -> None:
        self.work.connections += 1

    def connect_item(self, item: str, insertion: int, of: int) -> None:
        self.work.connections += 1

    def finish(self) -> None: ...

    def append(
        self, band: str, kind: Kind, index: int, sweep: Sweep, *, is_suspect: bool = False
    ) -> None:
        self.work.sweeps += 1
        self.work.swept.add((kind, band))
        if self.work.sweeps > MOST_SWEEPS:
            raise InputError(
                f"the procedure asks for more than {MOST_SWEEPS} sweeps; does it ever end?"
            )

    def mark_suspect(self, band: str, kind: Kind, first: int) -> None: ...

    def event(self, event: Event) -> None: ...

    def doing(self, what: str) -> None: ...

    def sweep_done(self) -> None: ...

    def sweeps_again(self, count: int) -> None: ...


def rehearse(
    procedure: Callable[[Bench], None], item: str, bands: Mapping[str, SweepSettings]
) -> Workload:
    """Go through `procedure` without instruments; raises whatever it raises.

    Raises:
        InputError: it does not end, or leaves a band without through or item.
    """
    stand_in = _StandIn()
    equipment = Equipment(
        source=stand_in,
        exchange=stand_in,
        journal=stand_in,
        progress=stand_in,
        clock=lambda: 0.0,
        unbroken=nullcontext,
        floor_db=-np.inf,
        has_readings=False,
    )
    procedure(Bench(equipment, item, bands))
    wanted: tuple[tuple[Kind, str], ...] = (
        ("normalization", "the through"),
        ("insertions", "the item"),
    )
    for kind, what in wanted:
        missing = [band for band in bands if (kind, band) not in stand_in.work.swept]
        if missing:
            raise InputError(
                f"the procedure never sweeps {what} in band {missing[0]}",
                hint="bench.normalize(), then bench.sweep() within bench.insertions()",
            )
    return stand_in.work
