"""Overlapped operations: work that goes on after its command has been taken.

IEEE 488.2 chapter 12: *OPC, *OPC? and *WAI refer to the operations pending here.
"""

import asyncio
import math
from collections.abc import Callable

from drivers.simulated.scpi.status import StatusRegister

__all__ = ["Operation", "Operations"]


class Operation:
    """One overlapped operation, pending until its time is over or it is aborted."""

    def __init__(self, on_done: Callable[[], object] | None, bit: int) -> None:
        self.on_done = on_done
        self.bit = bit
        self.timer: asyncio.TimerHandle | None = None
        self.is_pending = True


class Operations:
    """The pending operations of one instrument; `on_idle` is called when the last one ends."""

    def __init__(
        self,
        register: StatusRegister,
        on_idle: Callable[[], None],
        call: Callable[[Callable[[], object]], None],
    ) -> None:
        self._register = register
        self._on_idle = on_idle
        self._call = call
        self._pending: list[Operation] = []
        self._waiters: list[asyncio.Future[None]] = []

    @property
    def pending(self) -> bool:
        """Whether any operation is pending."""
        return bool(self._pending)

    def begin(self, duration_s: float, on_done: Callable[[], object] | None, bit: int) -> Operation:
        """Begin an operation; with `duration_s` 0 it is done when this returns.

        One of infinite duration is pending until it is aborted.
        """
        if not duration_s >= 0:
            raise ValueError(f"an operation cannot last {duration_s} s")
        operation = Operation(on_done, bit)
        self._pending.append(operation)
        self._register.set_bit(bit)
        if duration_s == 0:
            self._finish(operation)
        elif duration_s < math.inf:
            loop = asyncio.get_running_loop()
            operation.timer = loop.call_later(duration_s, self._finish, operation)
        return operation

    def abort(self) -> None:
        """End every pending operation without its `on_done`."""
        aborted, self._pending = self._pending, []
        for operation in aborted:
            operation.is_pending = False
            if operation.timer is not None:
                operation.timer.cancel()
            self._register.set_bit(operation.bit, False)
        if aborted:
            self._settle()

    async def idle(self) -> None:
        """Return as soon as no operation is pending."""
        while self._pending:
            waiter: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            self._waiters.append(waiter)
            try:
                await waiter
            finally:
                self._waiters.remove(waiter)

    def _finish(self, operation: Operation) -> None:
        # on_done first: who sees the operation complete must find its results in place
        if operation.on_done is not None:
            self._call(operation.on_done)
        if not operation.is_pending:
            return  # on_done aborted it
        operation.is_pending = False
        self._pending.remove(operation)
        if all(other.bit != operation.bit for other in self._pending):
            self._register.set_bit(operation.bit, False)
        self._settle()

    def _settle(self) -> None:
        if self._pending:
            return
        self._on_idle()
        for waiter in self._waiters:
            if not waiter.done():
                waiter.set_result(None)
