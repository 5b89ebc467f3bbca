"""Connections changed: RF off before and until the next sweep; leads that are not joined, again."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from drivers.errors import NotJoinedError
from harness.bench.sweeping import Sweeping

ATTEMPTS_TO_JOIN = 3


def change_connection(sweeping: Sweeping, what: str, connect: Callable[[], None]) -> None:
    """Have a connection changed, with RF off before and until the next sweep."""
    sweeping.rf_off()
    sweeping.drain()
    sweeping.equipment.progress.doing(what)
    sweeping.patiently(connect)
    sweeping.record("connection", what)


def join_leads(
    sweeping: Sweeping, making: int, sweeps: int, what: str, what_again: str, *, again: bool
) -> None:
    """Have the leads joined and sweep them, and once more where they turn out not to be joined.

    `again`: they were joined before; `what` and `what_again` say what is being done.

    Raises:
        NotJoinedError: they are not joined after `ATTEMPTS_TO_JOIN`, or came apart in between.
    """
    equipment = sweeping.equipment
    for attempt in range(1, ATTEMPTS_TO_JOIN + 1):
        join = partial(equipment.exchange.connect_through, again=again or attempt > 1)
        change_connection(sweeping, what if attempt == 1 else what_again, join)
        try:
            sweeping.sweep_bands("normalization", making, sweeps)
            return
        except NotJoinedError as error:
            sweeping.record("note", error.what)
            if attempt == ATTEMPTS_TO_JOIN or not error.is_first_sweep:
                raise
            equipment.progress.say(f"! {error.what}: join the leads again")
