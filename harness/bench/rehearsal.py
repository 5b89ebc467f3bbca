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
from harness.bench.bench import Bench
from harness.bench.equipment import Equipment
from harness.bench.replay import Replay
from harness.run_file import Kind
from harness.run_file.run import Event

MOST_SWEEPS = 1_000_000


@dataclass
class Workload:
    """What a procedure asks for."""

    sweeps: int = 0
    connections: int = 0
    item_sweeps: int = 0
    """Of `sweeps`, those of the item."""
    swept: set[tuple[Kind, str]] = field(default_factory=set)
    """Which of through and item was swept in which band."""


class StandIn:
    """Takes the place of instruments, operator, run file and display, and counts."""

    traces = S_PARAMETERS

    def __init__(self, started: float = 0.0, *, needs_a_person: bool = False) -> None:
        self.work = Workload()
        self.events: list[Event] = []
        self.needs_a_person = needs_a_person
        self._now = started
        self._sweeps: dict[SweepSettings, Sweep] = {}
        self._settings: SweepSettings | None = None

    def configure(self, settings: SweepSettings) -> None:
        """Remember the band."""
        self._settings = settings

    def sweep(self) -> Sweep:
        """A sweep of the right size that holds nothing."""
        if self._settings is None:
            raise AssertionError("the Bench configures before it sweeps")
        if self._settings not in self._sweeps:
            grid = self._settings.frequency_hz()
            readings = np.ones((len(S_PARAMETERS), len(grid)), complex)
            self._sweeps[self._settings] = Sweep(grid, S_PARAMETERS, readings, 0.0)
        return self._sweeps[self._settings]

    def rf_on(self) -> None:
        """Nothing to switch."""

    def rf_off(self) -> None:
        """Nothing to switch."""

    def recover(self) -> None:
        """Nothing fails."""

    def confirm(self) -> None:
        """Settings last."""

    def make_safe(self) -> None:
        """Nothing can be on."""

    def connect_through(self, *, again: bool) -> None:
        """Count it."""
        self.work.connections += 1

    def connect_item(self, item: str, insertion: int, of: int) -> None:
        """Count it."""
        self.work.connections += 1

    def finish(self) -> None:
        """Nothing to leave open."""

    def append(
        self, band: str, kind: Kind, index: int, sweep: Sweep, *, is_suspect: bool = False
    ) -> None:
        """Count it.

        Raises:
            InputError: there are more than anybody means.
        """
        self.work.sweeps += 1
        self.work.item_sweeps += kind == "insertions"
        self.work.swept.add((kind, band))
        if self.work.sweeps > MOST_SWEEPS:
            raise InputError(
                f"the procedure asks for more than {MOST_SWEEPS} sweeps; does it ever end?"
            )

    def mark_suspect(self, band: str, kind: Kind, first: int) -> None:
        """Nothing to mark."""

    def event(self, event: Event) -> None:
        """Remember it."""
        self.events.append(event)

    def temperature(self, time: float, temperature_c: float) -> None:
        """Nothing to keep."""

    def doing(self, what: str) -> None:
        """Nobody to tell."""

    def at(self, place: str) -> None:
        """Nobody to tell."""

    def sweep_done(self) -> None:
        """Nobody to tell."""

    def now(self) -> float:
        """What time it is; nothing takes any but waiting."""
        return self._now

    def wait_until(self, until: float) -> None:
        """Let time pass."""
        self._now = max(self._now, until)

    def sweeps_again(self, count: int) -> None:
        """Nobody to tell."""

    def say(self, text: str) -> None:
        """Nobody to tell."""

    def equipment(self) -> Equipment:
        """Itself in every place."""
        return Equipment(
            source=self,
            exchange=self,
            journal=self,
            progress=self,
            clock=self.now,
            unbroken=nullcontext,
            floor_db=-np.inf,
            has_readings=False,
            wait_until=self.wait_until,
        )


def rehearse(
    procedure: Callable[[Bench], None],
    item: str,
    bands: Mapping[str, SweepSettings],
    stand_in: StandIn | None = None,
    past: Replay | None = None,
) -> Workload:
    """Go through `procedure` without instruments; raises whatever it raises.

    Where a run is gone on with, only what lies before it counts: what is in its `past` is left
    out, and it may be nothing at all.

    Raises:
        InputError: it does not end, or leaves a band without through or item.
    """
    stand_in = stand_in or StandIn()
    procedure(Bench(stand_in.equipment(), item, bands, past))
    if past is not None:
        past.require_end()
        return stand_in.work
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
