"""What is asked of instruments on the command line, quantities as they were written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from drivers.errors import InputError
from drivers.quantities import FREQUENCY_UNITS, LEVEL_UNITS, TIME_UNITS, parse_quantity
from drivers.sweep import SweepSettings


@dataclass(frozen=True)
class InstrumentsAsked:
    """Which instruments somebody asked for, and how they are reached."""

    resources: tuple[str, ...]
    station: Path | None
    dialect: str
    """Name or file; empty: the station's, or the one for its role that is shipped."""
    timeout: str
    visa_library: str
    as_json: bool

    @property
    def timeout_s(self) -> float:
        """How long to wait for an answer."""
        return _quantity(self.timeout, TIME_UNITS, "5 s")


@dataclass(frozen=True)
class TrialSweep:
    """The one sweep of a trial."""

    start: str
    stop: str
    points: int
    averages: int
    power: str
    if_bandwidth: str

    def settings(self) -> SweepSettings:
        """In SI units and dBm.

        Raises:
            InputError: a quantity cannot be read, or the band is none.
        """
        settings = SweepSettings(
            start_hz=_hz(self.start),
            stop_hz=_hz(self.stop),
            points=self.points,
            power_dbm=_quantity(self.power, LEVEL_UNITS, "-30 dBm"),
            if_bandwidth_hz=_hz(self.if_bandwidth),
            averages=self.averages,
        )
        if not 0.0 < settings.start_hz < settings.stop_hz or settings.points < 2:
            raise InputError("the band needs --start below --stop, and two points at least")
        return settings


@dataclass(frozen=True)
class TrialAsked:
    """What of a dialect is to be tried; what is empty the station or a default says."""

    role: str
    sweep: TrialSweep
    traces: tuple[str, ...]
    channels: tuple[str, ...]
    zero: bool
    """Whether the power meter is zeroed."""


def _hz(text: str) -> float:
    return _quantity(text, FREQUENCY_UNITS, "1 GHz")


def _quantity(text: str, units: Mapping[str, float], example: str) -> float:
    try:
        return parse_quantity(text, units, example)
    except ValueError as error:
        raise InputError(str(error)) from error
