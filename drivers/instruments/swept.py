"""What instruments share that sweep a band by themselves: band, averaging, sweeps, traces."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.dialects.dialect_messages import fill
from drivers.dialects.dialect_roles import SweptDialect
from drivers.dialects.dialect_tables import LEVEL_FORMS
from drivers.errors import AnswerError, InstrumentError
from drivers.instruments.band_setup import (
    averages_difference,
    averaging_commands,
    axis_difference,
    band_settings,
    spacing_commands,
)
from drivers.instruments.completion import await_completion, bit_in, forget_earlier
from drivers.instruments.confirmation import require_unchanged
from drivers.instruments.data_format import read_numbers, read_trace
from drivers.instruments.earlier_readings import EarlierReadings
from drivers.instruments.instrument import means_no_error
from drivers.instruments.questions import ask_together, read_together, takes_traces_together
from drivers.instruments.rf_source import RfSource
from drivers.link.link import Link
from drivers.sweep import (
    RepeatedReadingsError,
    SuspectSweepError,
    Sweep,
    SweepSettings,
    require_usable,
)


@dataclass(frozen=True)
class Measured:
    """What one measurement gave."""

    readings: NDArray[np.complex128]
    """(S, P), ratios, or levels as the square root of milliwatts."""
    finished: float
    overloaded: bool
    rf_is_on: bool
    """True also where nobody wanted it on."""
    doubt: tuple[str, str] = ("", "")
    """Why the readings cannot be new ones, and what to do; empty where they can."""


class SweptInstrument(RfSource):
    """An instrument with a source that sweeps a band and a receiver that follows it."""

    def __init__(
        self,
        link: Link,
        dialect: SweptDialect,
        *,
        maximum_power_dbm: float,
        traces: tuple[str, ...],
        clock: Callable[[], float] = time.time,
    ) -> None:
        super().__init__(link, dialect, maximum_power_dbm=maximum_power_dbm)
        self.dialect = dialect
        self.traces = traces
        self._clock = clock
        self._settings: SweepSettings | None = None
        self._last_band: SweepSettings | None = None
        self._last_sweep: Sweep | None = None
        self._frequency_hz: NDArray[np.float64] = np.empty(0)
        self._expected_s = 0.0
        self._earlier = EarlierReadings()
        self._rf_wanted = False

    def _prepare(self) -> None:
        self._settings = None
        super()._prepare()
        define = self.dialect.data.define
        self.step("define traces")
        for trace in self.traces if define else ():
            name = self.dialect.data.names.get(trace, trace)
            self.send(fill(command, trace=name) for command in define)
        if define:
            self.check_errors("while its traces were being defined")

    def configure(self, settings: SweepSettings) -> None:
        """Set a band up and check what the instrument made of it; nothing to do if it stands.

        Raises:
            InputError: the power is above what the station allows, or the instrument cannot
                sweep like that; nothing is sent.
            AnswerError: a setting was read back as something else.
        """
        self.require_below_ceiling(settings.power_dbm)
        wanted = band_settings(self.dialect, settings)
        self.require_possible(wanted)
        spacing = spacing_commands(self.dialect, settings, self.where)
        averaging = averaging_commands(self.dialect.averaging, settings.averages, self.where)
        if settings == self._settings:
            return
        self._settings = self._last_sweep = None
        self._last_band = settings
        self.rf_off()
        self.step("configure")
        self.send(spacing)
        self.set_and_read_back(wanted, "while being configured")
        self.step("averaging")
        self.send(averaging)
        self.require_none(
            self._averages_difference(settings.averages),
            "ask for a number of averages that this instrument can make",
        )
        frequency_hz = settings.frequency_hz()
        self.step("frequencies")
        self.require_none(
            self._axis_difference(frequency_hz),
            "check the number of points, [spacing] and axis_scale in the dialect",
        )
        self.step("arm")
        self.send(self.dialect.sweep.arm)
        forget_earlier(self.link, self.dialect.sweep.completion)
        self._expected_s = self._measurement_time_s(settings.averages)
        self.check_errors("while being configured")
        self._frequency_hz = frequency_hz
        self._settings = settings

    def _averages_difference(self, count: int) -> list[str]:
        stated = self.dialect.averaging
        if stated is None or stated.get is None or count == 1:
            return []
        got = self.link.query_number(stated.get, is_idempotent=True)
        return [averages_difference(stated.get, count, got)] if got != count else []

    def confirm(self) -> None:
        """Ask whether the settings in force are those set up, RF among them; changes nothing.

        Raises:
            SuspectSweepError: they are not; carries the last sweep.
        """
        settings = self._settings_in_force()
        self.step("confirm")
        wrong = self.differences(band_settings(self.dialect, settings))
        wrong += self._averages_difference(settings.averages)
        wrong += self._axis_difference(self._frequency_hz)
        wrong += self.rf_difference(self._rf_wanted)
        require_unchanged(wrong, self._last_sweep, self.where)

    def _settings_in_force(self) -> SweepSettings:
        if self._settings is None:
            raise InstrumentError(
                "a sweep was asked for before a band was set up", where=self.where
            )
        return self._settings

    def _axis_difference(self, frequency_hz: NDArray[np.float64]) -> list[str]:
        data = self.dialect.data
        if data.axis is None:
            return []
        axis_hz = read_numbers(self.link, data, data.axis) * data.axis_scale
        wrong = axis_difference(axis_hz, frequency_hz, data.axis)
        return [wrong] if wrong else []

    def _measurement_time_s(self, averages: int) -> float:
        """Of what one start makes."""
        sweep, averaging = self.dialect.sweep, self.dialect.averaging
        if sweep.time is None:
            return 0.0
        one_s = self.link.query_number(sweep.time, is_idempotent=True) * sweep.time_scale
        if not 0.0 <= one_s < np.inf:
            raise AnswerError(
                f"{sweep.time!r} answers {one_s!r} s, which is no duration",
                where=self.where,
                hint="check `time` and `time_scale` under [sweep] in the dialect",
            )
        repeats_itself = averaging is not None and averaging.one_start_makes == "all"
        return one_s * averages if repeats_itself and sweep.time_covers == "one sweep" else one_s

    def measure(self) -> Measured:
        """Make one measurement of the configured band and read every trace; RF must be on."""
        settings = self._settings_in_force()
        averaging = self.dialect.averaging
        if averaging is None and settings.averages > 1:
            return self._averaged(settings)
        starts = 1
        if averaging is not None:
            if averaging.restart is not None and settings.averages > 1:
                self.link.write(averaging.restart)
            if averaging.one_start_makes == "one":
                starts = settings.averages
        for _ in range(starts):
            self._sweep_once()
        return self._read(settings.points)

    def _sweep_once(self) -> None:
        sweep = self.dialect.sweep
        self.step("sweep")
        for command in sweep.start:
            self.link.write(command)
        await_completion(self.link, sweep.completion, self._expected_s, "a sweep")

    def _averaged(self, settings: SweepSettings) -> Measured:
        """The driver's own mean: of complex ratios, or of power where phases are not known."""
        measured = []
        for _ in range(settings.averages):
            self._sweep_once()
            measured.append(self._read(settings.points))
        stacked = np.stack([one.readings for one in measured])
        if self.is_scalar:
            mean = np.sqrt(np.mean(np.abs(stacked) ** 2, axis=0)).astype(np.complex128)
        else:
            mean = np.mean(stacked, axis=0)
        return Measured(
            mean,
            measured[-1].finished,
            any(one.overloaded for one in measured),
            all(one.rf_is_on for one in measured),
            next((one.doubt for one in measured if one.doubt[0]), ("", "")),
        )

    @property
    def is_scalar(self) -> bool:
        """Whether only magnitudes are read."""
        return self.dialect.data.form in (*LEVEL_FORMS, "db", "linear")

    @property
    def reads_levels(self) -> bool:
        """Whether readings are levels, not ratios."""
        return self.dialect.data.form in LEVEL_FORMS

    def _read(self, points: int) -> Measured:
        finished = self._clock()
        self.step("read")
        link, dialect = self.link, self.dialect
        questions = self._questions_after_a_sweep()
        if self.watcher is None and takes_traces_together(dialect):
            readings, answers = read_together(link, dialect, self.traces, points, questions)
        else:
            readings = np.stack([self._read_trace(name, points) for name in self.traces])
            self.step("errors")
            self.send(dialect.sweep.idle)
            joins = dialect.joins_questions and self.watcher is None and len(questions) > 1
            answers = ask_together(link, questions) if joins else list(map(link.query, questions))
        overloaded, rf_is_on = self._aftermath(answers)
        doubt = self._earlier.take(self.traces, readings, self._settings)
        return Measured(readings, finished, overloaded, rf_is_on, doubt)

    def _read_trace(self, name: str, points: int) -> NDArray[np.complex128]:
        readings = read_trace(self.link, self.dialect.data, name, points)
        if self.watcher is not None:
            self.check_errors(f"while {name} was read")
        return readings

    def _questions_after_a_sweep(self) -> list[str]:
        """What asks for overload, RF and errors, as far as the instrument can say."""
        overload, error = self.dialect.overload, self.dialect.next_error
        questions = [] if overload is None else [overload.query]
        questions += [self.dialect.rf.state] if self._rf_wanted else []
        return questions + ([] if error is None else [error])

    def _aftermath(self, answers: list[str]) -> tuple[bool, bool]:
        """What was answered after a sweep: whether overloaded, whether RF is on."""
        overload = self.dialect.overload
        overloaded = overload is not None and bit_in(
            self.link, overload.query, answers.pop(0), overload.bit
        )
        rf_is_on = self.rf_meaning(answers.pop(0)) if self._rf_wanted else True
        if answers and not means_no_error(answers[0], self.dialect):
            self.require_no_errors([answers[0], *self.drained_errors()], "during a sweep")
        return overloaded, rf_is_on

    def finished_sweep(
        self, readings: NDArray[np.complex128], measured: Measured, remarks: tuple[str, ...] = ()
    ) -> Sweep:
        """A Sweep of `readings`, (S, P) ratios, once they and the source were looked at.

        Raises:
            SuspectSweepError: RF was found off, or readings cannot be true.
            RepeatedReadingsError: they are ones that came before.
        """
        sweep = Sweep(
            self._frequency_hz, self.traces, readings, measured.finished, measured.overloaded,
            remarks,
        )  # fmt: skip
        self._last_sweep = sweep
        if not measured.rf_is_on:
            raise SuspectSweepError(
                "RF was found off after a sweep that needs it", sweep,
                where=self.where,
                hint="look whether the source has tripped, or whether somebody else uses the "
                "instrument",
            )  # fmt: skip
        require_usable(sweep, self.where)
        what, hint = measured.doubt
        if what:
            raise RepeatedReadingsError(what, sweep, where=self.where, hint=hint)
        return sweep

    def rf_on(self) -> None:
        """Switch the source on and make sure of it."""
        super().rf_on()
        self._rf_wanted = True

    def rf_off(self, *, asks_again: bool = True) -> None:
        """Switch the source off and make sure of it; see `rf_state`."""
        self._rf_wanted = False
        self._earlier.disturb()
        super().rf_off(asks_again=asks_again)

    @property
    def abort_commands(self) -> tuple[str, ...]:
        """What ends a sweep."""
        return self.dialect.sweep.abort

    def recover(self) -> None:
        """Reconnect after a lost link, known state, RF off, the last band set up and checked."""
        self.reopen()
        if self._last_band is not None:
            self.configure(self._last_band)

    def make_safe(self) -> None:
        """Abort, and switch RF off, on a fresh connection if the link is out of step."""
        self._settings = None
        super().make_safe()
