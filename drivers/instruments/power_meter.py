"""The power meter role: readings, averaged, at a stated frequency, after zeroing."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.dialects.dialect_roles import PowerMeterDialect
from drivers.errors import AnswerError
from drivers.instruments.band_setup import averages_difference, averaging_commands
from drivers.instruments.completion import await_completion, bit_of, forget_earlier
from drivers.instruments.data_format import amplitude, read_numbers
from drivers.instruments.instrument import Instrument
from drivers.link.link import Link


@dataclass(frozen=True)
class PowerReading:
    """One reading, or the mean of several."""

    milliwatts: float
    """NaN where the meter says that it is no number, as below its floor."""
    overloaded: bool
    single_mw: tuple[float, ...]
    """The readings of which it is the mean, as far as they were made one by one."""


class PowerMeter(Instrument):
    """A power meter at the end of a link.

    `floor_dbm` is the level below which its readings say nothing, where the station states it.
    """

    def __init__(
        self, link: Link, dialect: PowerMeterDialect, *, floor_dbm: float | None = None
    ) -> None:
        super().__init__(link, dialect)
        self.dialect = dialect
        self.floor_dbm = floor_dbm
        self._averages = 1

    def _prepare(self) -> None:
        super()._prepare()
        self._averages = 1
        if self.dialect.reading.completion is not None:
            forget_earlier(self.link, self.dialect.reading.completion)

    def require_frequencies(self, *frequencies_hz: float) -> None:
        """Raise InputError where the dialect says that a frequency cannot be told."""
        setting = self.dialect.settings.frequency_hz
        if setting is not None:
            self.require_possible(("frequency_hz", setting, value) for value in frequencies_hz)

    def set_averages(self, count: int) -> None:
        """How many readings each reading is the mean of."""
        stated = self.dialect.averaging
        commands = averaging_commands(stated, count, self.where)
        self._averages = count
        if stated is None:
            return
        self.step("averaging")
        self.send(commands)
        self.check_errors("while averaging was set")
        self.require_none(
            self._averages_difference(), "ask for a number of averages that this power meter makes"
        )

    def _averages_difference(self) -> list[str]:
        stated, count = self.dialect.averaging, self._averages
        if stated is None or stated.get is None or count == 1:
            return []
        got = self.link.query_number(stated.get, is_idempotent=True)
        return [averages_difference(stated.get, count, got)] if got != count else []

    def changes(self, frequency_hz: float) -> list[str]:
        """Which settings in force are not those made, in words."""
        setting = self.dialect.settings.frequency_hz
        wanted = [] if setting is None else [("frequency_hz", setting, frequency_hz)]
        self.step("confirm")
        return [*self.differences(wanted), *self._averages_difference()]

    def set_frequency(self, frequency_hz: float, *, in_sweep: bool = False) -> None:
        """Tell the frequency, which the sensor's response is corrected for, and read it back.

        Within a sweep errors are asked for by whoever sweeps, once at its end.
        """
        setting = self.dialect.settings.frequency_hz
        if setting is not None:
            self.step("frequency")
            self.set_and_read_back(
                [("frequency_hz", setting, frequency_hz)],
                "" if in_sweep else "while its frequency was set",
            )

    def zero(self) -> None:
        """Zero, which the source must be off for; nothing to do where the dialect has no way.

        Raises:
            RefusedError: it could not be zeroed, as with power at the sensor.
        """
        zero = self.dialect.zero
        if zero is None:
            return
        self.step("zero")
        forget_earlier(self.link, zero.completion)
        for command in zero.start:
            self.link.write(command)
        await_completion(self.link, zero.completion, zero.time_s, "zeroing")
        self.check_errors("while being zeroed: is the source off?")

    def read(self) -> PowerReading:
        """One reading, as the mean of as many as were asked for."""
        self.step("read")
        stated = self.dialect.averaging
        if stated is None:
            readings = [self._read_once(1) for _ in range(self._averages)]
            mean = sum(one.milliwatts for one in readings) / len(readings)
            single_mw = tuple(one.milliwatts for one in readings)
            return PowerReading(mean, any(one.overloaded for one in readings), single_mw)
        if stated.restart is not None and self._averages > 1:
            self.link.write(stated.restart)
        return self._read_once(self._averages if stated.one_start_makes == "one" else 1)

    def _read_once(self, starts: int) -> PowerReading:
        for _ in range(starts):
            self._start()
        milliwatts = self._milliwatts()
        overload = self.dialect.overload
        overloaded = overload is not None and bit_of(self.link, overload.query, overload.bit)
        return PowerReading(milliwatts, overloaded, (milliwatts,))

    def _start(self) -> None:
        reading = self.dialect.reading
        if reading.completion is not None:
            for command in reading.start:
                self.link.write(command)
            expected_s = reading.time_s * (self._averages if self.dialect.averaging else 1)
            await_completion(self.link, reading.completion, expected_s, "a reading")

    def _milliwatts(self) -> float:
        reading = self.dialect.reading
        values = read_numbers(self.link, reading, reading.query)
        if len(values) != 1:
            raise AnswerError(
                f"{reading.query!r} answered {len(values)} numbers; expected one",
                where=self.where,
                hint="check `query` under [reading] in the dialect",
            )
        if reading.unit == "watt":
            # the mean of several keeps its sign: noise about zero is negative half of the time
            return float(values[0]) / 1e-3
        return float(amplitude("dbm", values)[0]) ** 2
