"""Sweeps point by point with a signal generator and a power meter, as ratios to its level."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from drivers.errors import InputError, InstrumentError
from drivers.instruments.confirmation import require_unchanged
from drivers.instruments.earlier_readings import EarlierReadings
from drivers.instruments.power_meter import PowerMeter, PowerReading
from drivers.instruments.signal_generator import SignalGenerator
from drivers.link.link import Link
from drivers.stop_signals import sleep
from drivers.sweep import (
    SCALAR,
    SPACINGS,
    RepeatedReadingsError,
    SuspectSweepError,
    Sweep,
    SweepSettings,
    require_usable,
)


class SteppedSource:
    """A source of scalar sweeps made of a signal generator and a power meter.

    At each point both are told the frequency, the generator settles (as its dialect says, and
    `settling_s` besides, as for a slow sensor), and the meter reads. `if_bandwidth_hz` of a
    band has no meaning here.
    """

    def __init__(
        self,
        generator: SignalGenerator,
        meter: PowerMeter,
        *,
        settling_s: float = 0.0,
        zero_before_band: bool = True,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.generator = generator
        self.meter = meter
        self._settling_s = settling_s
        self._zero_before_band = zero_before_band
        self._clock = clock
        self._settings: SweepSettings | None = None
        self._last_band: SweepSettings | None = None
        self._last_sweep: Sweep | None = None
        self._frequency_hz = 0.0
        """What both were told last."""
        self._rf_wanted = False
        self._earlier = EarlierReadings(is_point_by_point=True)

    @property
    def traces(self) -> tuple[str, ...]:
        """The transmission alone."""
        return SCALAR

    @property
    def source_link(self) -> Link:
        """The link to what sends RF."""
        return self.generator.source_link

    @property
    def safe_commands(self) -> tuple[str, ...]:
        """What switches RF off, for a guard on a link of its own."""
        return self.generator.safe_commands

    def open(self) -> tuple[str, ...]:
        """Connect and identify both, known state, RF off."""
        self._settings = None
        return (*self.generator.open(), *self.meter.open())

    def configure(self, settings: SweepSettings) -> None:
        """Set a band up: RF off, level, both ends of the band tried, meter zeroed.

        Raises:
            InputError: above the ceiling of power, or not possible; nothing is sent.
            AnswerError: a setting was read back as something else.
        """
        generator, meter = self.generator, self.meter
        generator.require_below_ceiling(settings.power_dbm)
        if settings.spacing not in SPACINGS:
            raise InputError(
                f"there is no spacing {settings.spacing!r}", hint=f"use {' or '.join(SPACINGS)}"
            )
        ends_hz = (settings.stop_hz, settings.start_hz)
        generator.require_frequencies(*ends_hz)
        meter.require_frequencies(*ends_hz)
        if settings == self._settings:
            return
        self._settings = self._last_sweep = None
        self._last_band = settings
        self.rf_off()
        generator.set_level(settings.power_dbm)
        if not meter.link.in_step:
            meter.reopen()
        for frequency_hz in ends_hz:
            self._frequency_hz = frequency_hz
            generator.set_frequency(frequency_hz)
            meter.set_frequency(frequency_hz)
        meter.set_averages(settings.averages)
        if self._zero_before_band:
            meter.zero()
        self._settings = settings

    def sweep(self) -> Sweep:
        """Step through the band: the level read over that of the generator.

        Raises:
            SuspectSweepError: RF was found off, or readings cannot be true.
            RepeatedReadingsError: they are ones that came before.
        """
        settings = self._settings_in_force()
        frequency_hz = settings.frequency_hz()
        readings = [self._point(value) for value in frequency_hz.tolist()]
        finished = self._clock()
        self.generator.check_errors("during a sweep")
        self.meter.check_errors("during a sweep")
        milliwatts, remarks = self._above_floor(np.array([one.milliwatts for one in readings]))
        # a level below the floor may be one that the meter shows for all of them
        single_mw = np.array([value for one in readings for value in one.single_mw])
        single_mw = np.where(single_mw > self._floor_mw, single_mw, np.nan)
        what, hint = self._earlier.take(SCALAR, single_mw[np.newaxis].astype(complex), settings)
        source_mw = 10.0 ** (settings.power_dbm / 10.0)
        with np.errstate(invalid="ignore"):
            ratio = np.sqrt(milliwatts / source_mw).astype(np.complex128)
        sweep = Sweep(
            frequency_hz, SCALAR, ratio[np.newaxis], finished,
            any(one.overloaded for one in readings), remarks,
        )  # fmt: skip
        self._last_sweep = sweep
        if self._rf_wanted and not self.generator.rf_state():
            raise SuspectSweepError(
                "RF was found off after a sweep that needs it", sweep,
                where=self.generator.where,
                hint="look whether the generator has tripped, or whether somebody else uses it",
            )  # fmt: skip
        require_usable(sweep, self.meter.where)
        if what:
            raise RepeatedReadingsError(what, sweep, where=self.meter.where, hint=hint)
        return sweep

    def confirm(self) -> None:
        """Ask both whether the settings in force are those made, RF among them; changes nothing.

        Raises:
            SuspectSweepError: they are not; carries the last sweep.
        """
        settings = self._settings_in_force()
        at_hz = self._frequency_hz
        found = self.generator.changes(at_hz, settings.power_dbm, rf_is_on=self._rf_wanted)
        require_unchanged(found, self._last_sweep, self.generator.where)
        require_unchanged(self.meter.changes(at_hz), self._last_sweep, self.meter.where)

    def _settings_in_force(self) -> SweepSettings:
        if self._settings is None:
            raise InstrumentError(
                "a sweep was asked for before a band was set up", where=self.generator.where
            )
        return self._settings

    def _point(self, frequency_hz: float) -> PowerReading:
        self._frequency_hz = frequency_hz
        self.generator.set_frequency(frequency_hz, in_sweep=True)
        self.meter.set_frequency(frequency_hz, in_sweep=True)
        if self._settling_s > 0.0:
            sleep(self._settling_s)
        return self.meter.read()

    @property
    def _floor_mw(self) -> float:
        floor_dbm = self.meter.floor_dbm
        return 0.0 if floor_dbm is None else 10.0 ** (floor_dbm / 10.0)

    def _above_floor(
        self, milliwatts: np.ndarray[tuple[int], np.dtype[np.float64]]
    ) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], tuple[str, ...]]:
        """Readings, (P,), not below the meter's floor, and a remark where some were."""
        if self.meter.floor_dbm is None:
            return milliwatts, ()
        floor_mw = self._floor_mw
        is_low = ~(milliwatts > floor_mw)
        count = int(np.count_nonzero(is_low))
        if not count:
            return milliwatts, ()
        remark = (
            f"{count} of {len(milliwatts)} points are at or below the power meter's floor of "
            f"{self.meter.floor_dbm:g} dBm and stand at the floor"
        )
        return np.where(is_low, floor_mw, milliwatts), (remark,)

    def rf_on(self) -> None:
        """Generator on, and settled."""
        self.generator.rf_on()
        self._rf_wanted = True

    def rf_off(self) -> None:
        """Generator off."""
        self._rf_wanted = False
        self._earlier.disturb()
        self.generator.rf_off()

    def recover(self) -> None:
        """Reconnect both after a lost link, known state, RF off, last band set up and checked."""
        self._settings = None
        self._rf_wanted = False
        self.generator.reopen()
        self.meter.reopen()
        if self._last_band is not None:
            self.configure(self._last_band)

    def make_safe(self) -> None:
        """RF off, on a fresh connection if need be; what the meter does is harmless."""
        self._settings = None
        self._rf_wanted = False
        self.generator.make_safe()

    def close(self) -> None:
        """Make safe, if it was ever opened, and end both connections."""
        try:
            self.generator.close()
        finally:
            self.meter.close()

    def instruments(self) -> tuple[dict[str, str], ...]:
        """Role, resource and identity of both."""
        return (*self.generator.instruments(), *self.meter.instruments())
