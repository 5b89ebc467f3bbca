"""The state of the simulated bench: what is connected, what time it is, what a signal meets.

All instruments of a bench share it. Everything random is drawn from generators that are keyed
by the seed, a stream and a counter, so that the same commands in the same order give the same
readings, bit for bit.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.described.bench_description import THROUGH, BenchDescription
from drivers.simulated.described.part_tables import intermittent_probabilities
from drivers.simulated.described.surroundings import DescribedDrift
from drivers.simulated.physics.signal_path import (
    TIGHT,
    Contacts,
    Flexure,
    MatingScale,
    PathState,
    SignalPath,
    SwitchClosing,
)

__all__ = ["FIRST_FREE_STREAM", "NOTHING", "SPREAD_LIMIT", "THROUGH", "SimulatedBench"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

NOTHING = ""

SPREAD_LIMIT = 2.5
"""Standard deviations at which a draw is limited, so that no resistance gets below zero."""
TEMPERATURE_STEP_C = 0.01
"""The physics follows the temperature in steps, so that it is not computed for every sweep."""

_STREAM_MATING, _STREAM_NOISE, _STREAM_DRIFT = 0, 1, 2
_STREAM_FLEXURE, _STREAM_PIN, _STREAM_SWITCH = 3, 4, 5
STREAM_OPERATOR, STREAM_WOBBLE, STREAM_FORGOTTEN = 6, 7, 8
FIRST_FREE_STREAM = 16
"""Streams from here on are for the instruments' own draws."""


class SimulatedBench:
    """One bench, shared by all its instruments.

    `elapsed_s` is the bench's own time in seconds; `connected` names what is between the leads
    (an item, `THROUGH` or `NOTHING`). Where the description has a switch, `connected` is what is
    at its item channel, and the adapter that closes the through is always at its other one.
    `changes` counts the changes of connections and of the switch.

    A bench that is started again to go on with what an earlier one began has its seed, and says
    the how manieth start it is, from 1 on: it is the same bench, with other chance.
    """

    def __init__(
        self, description: BenchDescription, seed: int | None = None, *, start_number: int = 1
    ) -> None:
        self.description = description
        self.start_number = start_number
        self.seed = description.seed if seed is None else seed
        self.elapsed_s = 0.0
        self.connected = NOTHING
        self.changes = 0
        self._signal_path = SignalPath(description)
        self.contacts: Contacts = TIGHT
        """How tight the near and the far connection are."""
        self.attend: Callable[[], None] | None = None
        """Brings the connections to where the hands of somebody at work are; None: nobody is."""
        self.sweeps = 0
        """How many have begun."""
        self._making = 0
        self._noises = 0
        self._matings = self._draw_matings(0)
        self._through_matings = self._matings
        self._flexures = (Flexure(), Flexure())
        self._open_pins: tuple[bool, ...] = ()
        self._through_open_pins: tuple[bool, ...] = ()
        self._closings: dict[int, SwitchClosing] = {}
        self._closing = 0
        self._drifts: dict[str, DescribedDrift] = {}

    def connect(self, what: str) -> None:
        """Put an item, the through, or nothing between the leads; every making is a new draw.

        Raises:
            KeyError: there is no such item on this bench.
        """
        self.require(what)
        self.attend = None
        self.pass_time(self.description.hand.connecting_time_s)
        self.contacts = TIGHT
        self.changes += 1
        self.put_between(what)

    def require(self, what: str) -> None:
        """Raise KeyError where nothing of this name can be connected."""
        if what not in (NOTHING, THROUGH) and what not in self.description.items:
            raise KeyError(what)

    def put_between(self, what: str) -> None:
        """The same as `connect` for somebody who takes time over it, and may not be done."""
        self.connected = what
        self._open_pins = ()
        if what != NOTHING:
            self._making += 1
            self._matings = self._draw_matings(self._making)
            self._flexures = self._draw_flexures(self._making)

    def pass_time(self, seconds: float) -> None:
        """Let the bench's own clock advance."""
        self.elapsed_s += seconds

    def new_sweep(self) -> None:
        """A sweep begins: loose contacts may open or close."""
        self.sweeps += 1
        if self.attend is not None:
            self.attend()
        of_connected, of_through = self._pin_probabilities()
        if of_connected or of_through:
            chances = self.draws(_STREAM_PIN, self.sweeps).random(
                len(of_connected) + len(of_through)
            )
            is_open = tuple(map(bool, chances < np.array([*of_connected, *of_through])))
            self._open_pins = is_open[: len(of_connected)]
            self._through_open_pins = is_open[len(of_connected) :]

    def path(self, frequency_hz: FloatArray, near_port_f: float, far_port_f: float) -> ComplexArray:
        """Scattering parameters of the whole path as it is now connected, shape (P, 2, 2).

        From an instrument's port on the near lead to one on the far lead, without noise. Each
        port's mismatch is a shunt capacitance in farad. `frequency_hz` has shape (P,), rising.
        The array is kept for further calls and cannot be written to.
        """
        return self._signal_path.scattering(frequency_hz, self._state(), near_port_f, far_port_f)

    @property
    def route(self) -> tuple[int, ...]:
        """The closed channels of the signal switch, in the order of their closing."""
        return tuple(self._closings)

    @route.setter
    def route(self, channels: tuple[int, ...]) -> None:
        """Close exactly `channels`; one that was open is a new closing and so a new draw.

        Raises:
            KeyError: there is no switch, or no such channel on it.
        """
        self.changes += 1
        kept = {number: self._closings.get(number) for number in channels}
        self._closings = {
            number: self._draw_closing(number) if closing is None else closing
            for number, closing in kept.items()
        }

    @property
    def temperature_c(self) -> float:
        """Temperature of everything on the bench now, by the schedule."""
        return self.description.temperature.at(self.elapsed_s)

    def drift_db(self, instrument: str) -> float:
        """Slow change of an instrument's gain now, in dB, by its table's drift and drift_period.

        Raises:
            KeyError: the bench has no such instrument.
        """
        if instrument not in self._drifts:
            table = getattr(self.description, instrument, None)
            if table is None:
                raise KeyError(instrument)
            key = int.from_bytes(instrument.encode(), "big")
            self._drifts[instrument] = DescribedDrift(
                table.drift_db, table.drift_period_s, self.generator(_STREAM_DRIFT, key)
            )
        return self._drifts[instrument].at(self.elapsed_s)

    def noise(self, shape: tuple[int, ...]) -> FloatArray:
        """Standard normal draws of `shape`, different at every call."""
        self._noises += 1
        return self.draws(_STREAM_NOISE, self._noises).standard_normal(shape)

    def generator(self, stream: int, index: int) -> np.random.Generator:
        """A random generator for what this bench is; the same keys give the same draws.

        Instruments take streams from `FIRST_FREE_STREAM` on.
        """
        return np.random.default_rng([self.seed, stream, index])

    def draws(self, stream: int, index: int) -> np.random.Generator:
        """A random generator for what happens on this bench; others after another start."""
        if self.start_number == 1:
            return self.generator(stream, index)
        return np.random.default_rng([self.seed, stream, index, self.start_number])

    def _state(self) -> PathState:
        steps = round(self.temperature_c / TEMPERATURE_STEP_C)
        return PathState(
            connected=self.connected,
            matings=self._matings,
            through_matings=self._through_matings,
            flexures=self._flexures,
            open_pins=self._open_pins,
            through_open_pins=self._through_open_pins,
            closings=tuple(self._closings.values()),
            temperature_c=steps * TEMPERATURE_STEP_C,
            contacts=self.contacts,
        )

    @property
    def is_intermittent(self) -> bool:
        """Whether a contact in the path may open or close from sweep to sweep."""
        return any(self._pin_probabilities())

    def _pin_probabilities(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Of what is connected, and of the adapter that a switch keeps in place."""
        of_connected: tuple[float, ...] = ()
        if self.connected != NOTHING:
            of_connected = intermittent_probabilities(self.description.assembly(self.connected))
        if self.description.switch is None:
            return of_connected, ()
        return of_connected, intermittent_probabilities(self.description.through)

    def _draw_matings(self, making: int) -> tuple[MatingScale, MatingScale]:
        spread = self.description.mating.spread
        scales = 1.0 + spread * self._limited(_STREAM_MATING, making, (2, 2))
        first, second = (MatingScale(float(r), float(g)) for r, g in scales)
        return first, second

    def _draw_flexures(self, making: int) -> tuple[Flexure, Flexure]:
        leads = self.description.leads
        draws = self._limited(_STREAM_FLEXURE, making, (2, 2))
        near, far = (
            Flexure(
                float(length) * leads.flexure_length_m,
                1.0 + float(resistance) * leads.flexure_resistance,
            )
            for length, resistance in draws
        )
        return near, far

    def _draw_closing(self, channel: int) -> SwitchClosing:
        """Raises KeyError: there is no switch, or no such channel on it."""
        switch = self.description.switch
        if switch is None or str(channel) not in switch.channels:
            raise KeyError(channel)
        self._closing += 1
        spread = switch.channels[str(channel)].spread
        near, far = 1.0 + spread * self._limited(_STREAM_SWITCH, self._closing, (2,))
        return SwitchClosing(channel, float(near), float(far))

    def _limited(self, stream: int, index: int, shape: tuple[int, ...]) -> FloatArray:
        draws = self.draws(stream, index).standard_normal(shape)
        return np.clip(draws, -SPREAD_LIMIT, SPREAD_LIMIT)
