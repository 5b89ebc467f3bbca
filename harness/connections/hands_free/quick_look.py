"""A quick look at what is between the leads: a short sweep at a low level, RF off around it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drivers.sweep import SweepSettings
from harness.analysis.units import DB_PER_NEPER
from harness.bench.equipment import Sweeper
from harness.bench.readings_check import transmission_level_db
from harness.connections.hands_free.connection_state import ConnectionRules
from harness.station.station import Station

POINTS = 11
LEARNING_LOOKS = 16
NOISE_MARGIN = 1.3
"""On a standard deviation from so many looks, which is known to a fifth."""
LEAST_NOISE_DB = 0.001


def look_settings(station: Station) -> SweepSettings:
    """A few points of the highest band, where a connection shows most, at the stated level.

    Raises:
        ValueError: the station states none.
    """
    if station.hands_free is None:
        raise ValueError("the station has no table [hands_free]")
    highest = max(station.bands, key=lambda band: station.bands[band].stop_hz)
    settings = station.settings(highest)
    return SweepSettings(
        start_hz=settings.start_hz,
        stop_hz=settings.stop_hz,
        points=POINTS,
        power_dbm=station.hands_free.power_dbm,
        if_bandwidth_hz=settings.if_bandwidth_hz,
        spacing=settings.spacing,
    )


class QuickLook:
    """Looks through a source of sweeps; raises like it."""

    def __init__(self, source: Sweeper, settings: SweepSettings) -> None:
        self._source = source
        self._settings = settings

    def level_db(self) -> float:
        """Mean transmission over the points now, in dB; RF is on for this look only."""
        self._source.configure(self._settings)
        self._source.rf_on()
        try:
            sweep = self._source.sweep()
        finally:
            self._source.rf_off()
        return float(np.mean(transmission_level_db(sweep)))

    def recover(self) -> None:
        """Have the source start afresh after trouble, RF off."""
        self._source.recover()


@dataclass(frozen=True)
class LookNoise:
    """What looks at joined leads have taught."""

    zero_db: float
    """Level of the through."""
    noise_db: float
    """Standard deviation of a look at that level."""
    floor_db: float
    """Level at which the receiver reads nothing but itself, by the station's statement."""

    def rules(self, level: float) -> ConnectionRules:
        """What holds at a level: near the floor its noise counts, and there it is larger.

        A reading r above a floor f (amplitudes) scatters by f / (r sqrt 2) in neper, and the
        mean over the points by less (common practice, no source).
        """
        above_db = max(level - self.floor_db, 0.0) if math.isfinite(level) else 0.0
        of_floor = DB_PER_NEPER / math.sqrt(2.0 * POINTS) * 10.0 ** (-above_db / 20.0)
        return ConnectionRules(self.floor_db, max(self.noise_db, of_floor, LEAST_NOISE_DB))


def learned(levels_db: list[float], floor_db: float) -> LookNoise:
    """What looks at joined leads that nobody touches tell.

    Raises:
        ValueError: fewer than two looks.
    """
    if len(levels_db) < 2:
        raise ValueError("a scatter needs two looks at least")
    noise_db = NOISE_MARGIN * float(np.std(levels_db, ddof=1))
    return LookNoise(float(np.mean(levels_db)), noise_db, floor_db)
