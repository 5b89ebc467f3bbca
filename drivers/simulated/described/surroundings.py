"""What changes slowly on a simulated bench: the temperature, and the gain of an instrument."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated

import numpy as np
from pydantic import Field, model_validator

from drivers.quantities import TemperatureC, TimeS
from drivers.toml_file import Table

REFERENCE_TEMPERATURE_C = 20.0
"""At which conductivities are stated (as in NBS Handbook 100)."""
COPPER_RESISTANCE_PER_K = 0.00393
"""Temperature coefficient of copper's resistance at 20 °C (NBS Handbook 100, from memory)."""

DRIFT_TERMS = 6

COLDEST_C, HOTTEST_C = -100.0, 200.0
"""Within which the linear law of resistance is good."""

BenchTemperatureC = Annotated[TemperatureC, Field(ge=COLDEST_C, le=HOTTEST_C)]
Instant = tuple[TimeS, BenchTemperatureC]


class Temperature(Table):
    """The temperature of the bench over its own time.

    Either `start` and `ramp_per_hour`, or `points` of time and temperature with straight lines
    between them. With `period` the points come round again.
    """

    start_c: BenchTemperatureC | None = Field(default=None, alias="start")
    ramp_c_per_h: TemperatureC = Field(default=0.0, alias="ramp_per_hour")
    points: tuple[Instant, ...] = ()
    period_s: Annotated[TimeS, Field(gt=0)] | None = Field(default=None, alias="period")

    @model_validator(mode="after")
    def _one_way(self) -> Temperature:
        if self.points and (self.start_c is not None or self.ramp_c_per_h):
            raise ValueError("give either points, or start and ramp_per_hour, not both")
        if self.period_s is not None and not self.points:
            raise ValueError("period needs points, which it repeats")
        times = [time for time, _ in self.points]
        if any(later <= earlier for earlier, later in pairwise(times)):
            raise ValueError("points must be in order of time, each later than the one before")
        if self.period_s is not None and times[-1] - times[0] >= self.period_s:
            raise ValueError("points must span less than period")
        return self

    def at(self, elapsed_s: float) -> float:
        """Temperature in °C at a time in seconds since the bench was started.

        Before the first and after the last of `points` it stays; a ramp ends at -100 or 200 °C.
        """
        if self.points:
            times, temperatures = zip(*self.points, strict=True)
            return float(np.interp(elapsed_s, times, temperatures, period=self.period_s))
        start_c = REFERENCE_TEMPERATURE_C if self.start_c is None else self.start_c
        ramped_c = start_c + self.ramp_c_per_h * elapsed_s / 3600.0
        return min(max(ramped_c, COLDEST_C), HOTTEST_C)


def conductor_resistance_ratio(temperature_c: float) -> float:
    """Resistance of copper at a temperature over that at 20 °C (linear law)."""
    return 1.0 + COPPER_RESISTANCE_PER_K * (temperature_c - REFERENCE_TEMPERATURE_C)


class DescribedDrift:
    """A stationary slow change: a few incommensurate waves around one period.

    `rms_db`: root mean square; `period_s`: the waves' rates lie from 0.3 to 2 times that of it.
    """

    def __init__(self, rms_db: float, period_s: float, generator: np.random.Generator) -> None:
        self._rate = 2.0 * np.pi / period_s * generator.uniform(0.3, 2.0, DRIFT_TERMS)
        self._phase = generator.uniform(0.0, 2.0 * np.pi, DRIFT_TERMS)
        self._amplitude_db = rms_db * np.sqrt(2.0 / DRIFT_TERMS)

    def at(self, elapsed_s: float) -> float:
        """The change in dB at a time in seconds since the bench was started."""
        return float(self._amplitude_db * np.sum(np.sin(self._rate * elapsed_s + self._phase)))
