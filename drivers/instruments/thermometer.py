"""The thermometer role: one temperature at a time."""

from __future__ import annotations

from drivers.dialects.dialect_roles import ThermometerDialect
from drivers.errors import AnswerError
from drivers.instruments.completion import await_completion, forget_earlier
from drivers.instruments.data_format import read_numbers
from drivers.instruments.instrument import Instrument
from drivers.link.link import Link

ZERO_CELSIUS_K = 273.15
"""0 °C in K (SI Brochure, 9th edition, 2.3.1)."""


class Thermometer(Instrument):
    """A thermometer at the end of a link. It sends no RF, so nothing has to be made safe."""

    def __init__(self, link: Link, dialect: ThermometerDialect) -> None:
        super().__init__(link, dialect)
        self.dialect = dialect

    def _prepare(self) -> None:
        super()._prepare()
        if self.dialect.reading.completion is not None:
            forget_earlier(self.link, self.dialect.reading.completion)

    def read_c(self) -> float:
        """The temperature in °C; on a fresh connection where the last reading left none in step.

        Raises:
            AnswerError: it is no number, or cannot be the temperature of a bench.
            InstrumentError: the thermometer cannot be reached, or complains.
        """
        if not self.link.in_step:
            self.reopen()
        self.step("read")
        reading = self.dialect.reading
        if reading.completion is not None:
            for command in reading.start:
                self.link.write(command)
            await_completion(self.link, reading.completion, reading.time_s, "a reading")
        values = read_numbers(self.link, reading, reading.query)
        if len(values) != 1:
            raise AnswerError(
                f"{reading.query!r} answered {len(values)} numbers; expected one",
                where=self.where,
                hint="check `query` under [reading] in the dialect",
            )
        temperature_c = float(values[0]) - (ZERO_CELSIUS_K if reading.unit == "K" else 0.0)
        if not reading.coldest_c <= temperature_c <= reading.hottest_c:  # nor where it is NaN
            raise AnswerError(
                f"{reading.query!r} answered {temperature_c:g} °C, which is no temperature from "
                f"{reading.coldest_c:g} to {reading.hottest_c:g} °C",
                where=self.where,
                hint="is the sensor connected and whole, and `unit` right under [reading] in the "
                "dialect? `coldest` and `hottest` there say what is believed",
            )
        return temperature_c
