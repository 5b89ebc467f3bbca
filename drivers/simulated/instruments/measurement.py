"""A measurement of a simulated instrument: begun, finished, aborted, read.

INITiate and ABORt by SCPI-99 volume 2 (TRIGger subsystem), from memory. While INITiate is
CONTinuous the instrument always measures, so that whoever reads gets a new result, and an
INITiate:IMMediate is ignored with error -213.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Hashable
from contextlib import suppress
from typing import Generic, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.physics.simulated_bench import SimulatedBench
from drivers.simulated.scpi import Boolean, Command, Engine, Query, ScpiError, setting

T = TypeVar("T")

MEASURING_BIT, SWEEPING_BIT, SETTLING_BIT, CALIBRATING_BIT = 4, 3, 1, 0
"""Bits of the operation status register (SCPI-99 volume 1, 9.3, from memory)."""
POWER_BIT = 3
"""Bit of the questionable status register: overload."""
INIT_IGNORED, SETTINGS_CONFLICT, ILLEGAL_VALUE, DATA_STALE = -213, -221, -224, -230
CALIBRATION_FAILED = -340


class Measurement(Generic[T]):
    """The measurement of one instrument, and its last result while that holds.

    `take` measures, and says whether there was too much power; `duration_s` tells the real
    seconds for which a measurement is pending; `check` raises ScpiError where the settings
    cannot be measured with; `surroundings` is what must not change while it measures, or the
    result does not hold.
    """

    def __init__(
        self,
        engine: Engine,
        *,
        take: Callable[[], tuple[T, bool]],
        duration_s: Callable[[], float],
        surroundings: Callable[[], Hashable],
        check: Callable[[], object] = lambda: None,
        operation_bit: int = SWEEPING_BIT,
    ) -> None:
        self._engine = engine
        self._take = take
        self._duration_s = duration_s
        self._surroundings = surroundings
        self._begun_in: Hashable = None
        self._check = check
        self._bit = operation_bit
        self._result: T | None = None
        self._shown: T | None = None
        """What was measured last, whether it still holds or not."""
        self._late: asyncio.TimerHandle | None = None
        self._is_measuring = False
        self._is_continuous = False

    def commands(self) -> list[Command | Query]:
        """INITiate[:IMMediate], INITiate:CONTinuous and ABORt."""
        return [
            Command("INITiate[:IMMediate]", self.initiate),
            *setting(
                "INITiate:CONTinuous",
                Boolean(),
                get=lambda: self._is_continuous,
                set=self._set_continuous,
            ),
            Command("ABORt", self.abort),
        ]

    def reset(self) -> None:
        """Nothing measured, nothing under way; to be called once operations are aborted."""
        self.discard()
        self._is_measuring = False
        self._is_continuous = False
        self._engine.status.operation.set_bit(self._bit, False)

    def initiate(self) -> None:
        """Begin one measurement.

        Raises:
            ScpiError: one is under way, or the settings contradict each other.
        """
        if self._engine.pending and not self._is_measuring:
            raise ScpiError(INIT_IGNORED, "a calibration is under way")
        if self._is_continuous or self._is_measuring:
            raise ScpiError(INIT_IGNORED)
        self._check()
        self._cancel_late()
        misfire = self._engine.misfire
        if misfire is not None and self._shown is not None:
            self._engine.misfire = None
            misfire.struck()
            if misfire.kind == "late":
                self._result = self._shown
                loop = asyncio.get_running_loop()
                self._late = loop.call_later(misfire.delay_s, self._begin_late)
            else:
                self._begin(self._keep_old if misfire.kind == "ignored" else self._keep_half)
            return
        self._begin(self._finish)

    def _begin_late(self) -> None:
        """The trace before stays readable until the sweep is over."""
        self._begin(self._finish)
        if self._is_measuring:
            self._result = self._shown

    def _begin(self, on_done: Callable[[], None]) -> None:
        self._cancel_late()
        self.discard()
        self._is_measuring = True
        self._begun_in = self._surroundings()
        self._engine.begin(self._duration_s(), on_done=on_done, operation_bit=self._bit)

    def _keep_old(self) -> None:
        """A trigger that was not heeded: what was there before stands."""
        self._is_measuring = False
        self._result = self._shown

    def _keep_half(self) -> None:
        """A sweep that is told to be over after its first half."""
        before: object = self._shown
        self._finish()
        now: object = self._result
        if isinstance(now, np.ndarray) and isinstance(before, np.ndarray) and len(before):
            half = len(now) // 2
            self._result = cast(T, np.concatenate([now[:half], before[half : len(now)]]))

    def _cancel_late(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None

    def abort(self) -> None:
        """End what is measured; a continuous instrument begins anew. A calibration goes on."""
        self._cancel_late()
        if self._is_measuring:
            self._engine.abort()
        self._is_measuring = False
        self._engine.status.operation.set_bit(self._bit, self._is_continuous)

    def restart(self) -> None:
        """Forget what was measured; a measurement under way begins anew."""
        was_measuring = self._is_measuring
        self.discard()
        if was_measuring:
            self.abort()
            self.initiate()

    def settings_changed(self) -> None:
        """Forget what was measured; a measurement under way begins anew if it can."""
        was_measuring = self._is_measuring
        self.discard()
        if was_measuring:
            self.abort()
            # settings that contradict each other for the moment end the measurement instead
            with suppress(ScpiError):
                self.initiate()

    def source_switched(self) -> None:
        """A measurement under way begins anew; a finished one stays what it was."""
        if self._is_measuring:
            self.settings_changed()

    def discard(self) -> None:
        """Forget the result, which no longer holds."""
        self._result = None
        self._engine.status.questionable.set_bit(POWER_BIT, False)

    def result(self) -> T:
        """The result of the last measurement, or of a new one while continuous.

        Raises:
            ScpiError: there is none that holds.
        """
        if self._is_continuous:
            self._check()
            self._measure()
        if self._result is None:
            raise ScpiError(DATA_STALE, "no finished measurement with these settings")
        return self._result

    def _finish(self) -> None:
        self._is_measuring = False
        self._measure()
        if self._surroundings() != self._begun_in:
            self.discard()

    def _measure(self) -> None:
        self._result, is_overloaded = self._take()
        self._shown = self._result
        self._engine.status.questionable.set_bit(POWER_BIT, is_overloaded)

    def _set_continuous(self, is_continuous: bool) -> None:
        if is_continuous != self._is_continuous:
            self._is_continuous = is_continuous
            self.abort()


def swept_path(
    bench: SimulatedBench, frequency_hz: NDArray[np.float64], port_f: float
) -> NDArray[np.complex128]:
    """The path between two equal ports, shape (P, 2, 2), where the span may be zero too."""
    # a span that the numbers hardly resolve is none
    if np.all(np.diff(frequency_hz) > 0.0) and np.ptp(frequency_hz) > 1e-9 * frequency_hz[-1]:
        return bench.path(frequency_hz, port_f, port_f)
    s = bench.path(frequency_hz[:1], port_f, port_f)
    return np.broadcast_to(s, (len(frequency_hz), 2, 2))
