"""The network analyzer role: settings, sweeps, and RF that is off unless a sweep needs it."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import asdict

import numpy as np
from numpy.typing import NDArray

from drivers.dialect import NetworkAnalyzerDialect
from drivers.errors import AnswerError, InputError, InstrumentError, LinkError, RefusedError
from drivers.link import Link
from drivers.sweep import S_PARAMETERS, Sweep, SweepSettings

ERROR_QUEUE_LIMIT = 100
READBACK_RELATIVE_TOLERANCE = 1e-6
POWER_READBACK_TOLERANCE_DB = 0.01
LARGEST_RATIO = 1e6
"""Of a reading: 120 dB of gain."""
FIRST_POLL_S = 0.0005
LONGEST_POLL_S = 0.05


class NetworkAnalyzer:
    """A two-port network analyzer at the end of a link.

    Every method raises `InstrumentError` (or a subclass) when the instrument does not do
    what is asked.
    """

    def __init__(
        self,
        link: Link,
        dialect: NetworkAnalyzerDialect,
        *,
        maximum_power_dbm: float,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.link = link
        self.dialect = dialect
        self.maximum_power_dbm = maximum_power_dbm
        self._clock = clock
        self._settings: SweepSettings | None = None
        self._sweep_time_s = 0.0
        self._was_opened = False

    def open(self) -> str:
        """Connect, identify, and bring the instrument into a known state with RF off."""
        identity = self.link.open()
        self._was_opened = True
        self._settings = None
        for command in self.dialect.prepare:
            self.link.write(command)
        self.check_errors("while being prepared")
        self.rf_off()
        return identity

    def configure(self, settings: SweepSettings) -> None:
        """Set a band up and check what the instrument made of it; nothing to do if it stands.

        Raises:
            InputError: the power is above what the station allows; nothing is sent.
            AnswerError: a setting was read back as something else.
        """
        if settings.power_dbm > self.maximum_power_dbm:
            raise InputError(
                f"{settings.power_dbm:g} dBm is above the station's maximum of "
                f"{self.maximum_power_dbm:g} dBm; nothing was sent",
                where=self._where,
                hint="lower `power`, or correct `maximum_power` if every port, sensor and item "
                "really stands more",
            )
        if settings == self._settings:
            return
        self._settings = None
        self.rf_off()
        table = self.dialect.settings
        for name, value in asdict(settings).items():
            self.link.write(getattr(table, name).set.format(value=value))
        self.check_errors("while being configured")
        for name, value in asdict(settings).items():
            self._check_readback(name, getattr(table, name).get, value)
        self._sweep_time_s = self.link.query_number(self.dialect.sweep.time)
        self._settings = settings

    def _check_readback(self, name: str, query: str, wanted: float) -> None:
        got = self.link.query_number(query)
        if name == "power_dbm":
            agrees = abs(got - wanted) <= POWER_READBACK_TOLERANCE_DB
        else:
            agrees = abs(got - wanted) <= READBACK_RELATIVE_TOLERANCE * abs(wanted)
        if not agrees:
            raise AnswerError(
                f"{name} was set to {wanted!r} but {query!r} answers {got!r}",
                where=self._where,
                hint="choose a value that this instrument can set exactly",
            )

    def sweep(self) -> Sweep:
        """Make one sweep of the configured band and read all four S-parameters.

        RF must be on; see `rf_on`.
        """
        if self._settings is None:
            raise InstrumentError("a sweep was asked for before a band was set up")
        commands = self.dialect.sweep
        self.link.write(commands.start)
        self._await_completion()
        finished = self._clock()
        points = self._settings.points
        readings = np.stack([self._trace(trace, points) for trace in S_PARAMETERS])
        self.check_errors("during a sweep")
        frequency_hz = np.linspace(self._settings.start_hz, self._settings.stop_hz, points)
        return Sweep(frequency_hz, S_PARAMETERS, readings, finished)

    def _trace(self, trace: str, points: int) -> NDArray[np.complex128]:
        """Read one trace, (P,)."""
        query = self.dialect.sweep.read.format(trace=trace)
        block = self.link.query_block(query)
        hint = "check the data format commands under `prepare` in the dialect"
        if len(block) != 16 * points:
            raise AnswerError(
                f"{query!r} answered {len(block)} bytes; expected {points} pairs of real and "
                f"imaginary, {16 * points} bytes",
                where=self._where,
                hint=hint,
            )
        order = ">" if self.dialect.byte_order == "big" else "<"
        values = np.frombuffer(block, dtype=f"{order}f8")
        readings = np.asarray(values[0::2] + 1j * values[1::2])
        # SCPI's infinity and not-a-number are as large as that (SCPI-99 volume 1, 7.2.1.4 and
        # 7.2.1.5), and so are numbers with their bytes in the wrong order; a receiver that works
        # never reads exactly nothing
        size = np.abs(readings)
        usable = (size < LARGEST_RATIO) & (size > 0.0)
        if not np.all(usable):
            raise AnswerError(
                f"{query!r} answered {np.count_nonzero(~usable)} of {points} points that are no "
                "S-parameter",
                where=self._where,
                hint=hint,
            )
        return readings

    def _await_completion(self) -> None:
        """Sleep for the sweep's own time, then ask at growing intervals; can be interrupted."""
        deadline = time.monotonic() + self._sweep_time_s + self.link.timeout_s
        pause_s = self._sweep_time_s if self._sweep_time_s > FIRST_POLL_S else 0.0
        poll_s = FIRST_POLL_S
        while True:
            if pause_s > 0.0:
                time.sleep(pause_s)
            if (
                int(self.link.query_number(self.dialect.sweep.finished))
                >> (self.dialect.sweep.finished_bit)
                & 1
            ):
                return
            if time.monotonic() > deadline:
                raise LinkError(
                    f"a sweep that should take {self._sweep_time_s:g} s was not finished after "
                    f"{self._sweep_time_s + self.link.timeout_s:g} s",
                    where=self._where,
                    hint="check the trigger source on the front panel; it must be internal",
                )
            pause_s, poll_s = poll_s, min(2.0 * poll_s, LONGEST_POLL_S)

    def rf_on(self) -> None:
        """Switch the source on and make sure of it."""
        self._switch_rf(True)

    def rf_off(self) -> None:
        """Switch the source off and make sure of it."""
        self._switch_rf(False)

    def _switch_rf(self, on: bool) -> None:
        self.link.write(self.dialect.rf_on if on else self.dialect.rf_off)
        state = self.link.query(self.dialect.rf_state)
        if state not in (("1", "ON") if on else ("0", "OFF")):
            raise AnswerError(
                f"RF was switched {'on' if on else 'off'} but {self.dialect.rf_state!r} "
                f"answers {state!r}",
                where=self._where,
                hint="" if on else "RF may be ON: switch it off at the front panel",
            )

    def make_safe(self) -> None:
        """Abort any sweep and switch RF off, on a fresh connection if the link is out of step.

        Raises:
            InstrumentError: RF could not be shown to be off.
        """
        self._settings = None
        try:
            if not self.link.in_step:
                self.link.reopen()
            self.link.write(self.dialect.sweep.abort)
            self.rf_off()
        except InstrumentError as error:
            raise InstrumentError(
                f"RF could not be shown to be off: {error.what}",
                where=self._where,
                hint="RF may be ON: switch it off at the front panel before touching a connector",
            ) from error

    def close(self) -> None:
        """Make safe, if it was ever opened, and end the connection."""
        try:
            if self._was_opened:
                self.make_safe()
        finally:
            self.link.close()

    def check_errors(self, during: str) -> None:
        """Empty the instrument's error queue.

        Raises:
            RefusedError: there was something in it; lists all of it.
        """
        complaints: list[str] = []
        for _ in range(ERROR_QUEUE_LIMIT):
            answer = self.link.query(self.dialect.next_error)
            if answer.lstrip("+").partition(",")[0].strip() == "0":
                break
            complaints.append(answer)
        if complaints:
            raise RefusedError(
                f"the instrument complained {during}: {'; '.join(complaints)}",
                where=self._where,
                hint="see which command it does not take and change the dialect, or the setting "
                "that is out of its range",
            )

    @property
    def _where(self) -> str:
        return f"{self.link.resource} ({self.link.identity or 'not identified yet'})"
