"""Settings of a simulated instrument, and the commands that change and ask them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.physics.simulated_bench import SimulatedBench
from drivers.simulated.scpi import Boolean, Command, Integer, Number, Query, setting
from drivers.simulated.scpi.parameters import Parameter

LARGEST_SWEEP = 20001
LARGEST_AVERAGE = 256
PATHS_OF_AN_AVERAGE = 8


class Settings:
    """Values by key; `on_change` is called after each change by a command."""

    def __init__(self, at_reset: Mapping[str, Any], on_change: Callable[[], object]) -> None:
        self._at_reset = dict(at_reset)
        self._on_change = on_change
        self._values = dict(at_reset)

    def __getitem__(self, key: str) -> Any:
        return self._values[key]

    def reset(self) -> None:
        """Take the values after `*RST`."""
        self._values = dict(self._at_reset)

    def change(self, **values: Any) -> None:
        """Change some values at once."""
        unknown = values.keys() - self._values.keys()
        if unknown:
            raise KeyError(*sorted(unknown))
        self._values.update(values)
        self._on_change()

    def declare(self, pattern: str, key: str, parameter: Parameter) -> tuple[Command, Query]:
        """The command and the query of one setting."""
        return setting(
            pattern,
            parameter,
            get=lambda: self[key],
            set=lambda value: self.change(**{key: value}),
        )


def averaging_commands(settings: Settings, clear: Callable[[], object]) -> list[Command | Query]:
    """AVERage of the SENSe subsystem (SCPI-99 volume 2, from memory).

    The settings need `average_count` and `averaging`.
    """
    count = Integer(minimum=1, maximum=LARGEST_AVERAGE, default=1)
    return [
        *settings.declare("[SENSe]:AVERage:COUNt", "average_count", count),
        *settings.declare("[SENSe]:AVERage[:STATe]", "averaging", Boolean()),
        Command("[SENSe]:AVERage:CLEar", clear),
    ]


def averages(settings: Settings) -> int:
    """How many readings one measurement takes the mean of."""
    return int(settings["average_count"]) if settings["averaging"] else 1


def physics_every(count: int, bench: SimulatedBench) -> int:
    """After how many sweeps of an average the path is looked at again.

    The path follows the temperature, which changes little within one measurement; a contact
    that opens and closes is looked at in every sweep.
    """
    return 1 if bench.is_intermittent else max(1, count // PATHS_OF_AN_AVERAGE)


def span_commands(settings: Settings, lowest_hz: float, highest_hz: float) -> list[Command | Query]:
    """FREQuency of the SENSe subsystem for a sweep, and the number of its points.

    STARt and STOP are kept (`start_hz`, `stop_hz`); CENTer and SPAN are coupled to them
    (SCPI-99 volume 2, from memory). A new centre keeps the span as far as the range allows;
    a span that reaches beyond the range is refused.
    """

    def centre_hz() -> float:
        return 0.5 * float(settings["start_hz"] + settings["stop_hz"])

    def span_hz() -> float:
        return float(settings["stop_hz"] - settings["start_hz"])

    def largest_span_hz() -> float:
        return 2.0 * min(centre_hz() - lowest_hz, highest_hz - centre_hz())

    def set_centre(value: float) -> None:
        half = min(0.5 * abs(span_hz()), value - lowest_hz, highest_hz - value)
        settings.change(start_hz=value - half, stop_hz=value + half)

    def set_span(value: float) -> None:
        middle = centre_hz()
        settings.change(start_hz=middle - 0.5 * value, stop_hz=middle + 0.5 * value)

    def frequency(default: float) -> Number:
        return Number("HZ", minimum=lowest_hz, maximum=highest_hz, default=default)

    span = Number("HZ", minimum=0.0, maximum=largest_span_hz, default=largest_span_hz)
    points = Integer(minimum=2, maximum=LARGEST_SWEEP, default=201)
    return [
        *settings.declare("[SENSe]:FREQuency:STARt", "start_hz", frequency(lowest_hz)),
        *settings.declare("[SENSe]:FREQuency:STOP", "stop_hz", frequency(highest_hz)),
        *setting(
            "[SENSe]:FREQuency:CENTer",
            frequency(0.5 * (lowest_hz + highest_hz)),
            get=centre_hz,
            set=set_centre,
        ),
        *setting("[SENSe]:FREQuency:SPAN", span, get=span_hz, set=set_span),
        Query("[SENSe]:FREQuency:DATA", lambda: frequencies_hz(settings)),
        *settings.declare("[SENSe]:SWEep:POINts", "points", points),
    ]


def frequencies_hz(settings: Settings) -> NDArray[np.float64]:
    """The points of the sweep, shape (P,)."""
    return np.linspace(settings["start_hz"], settings["stop_hz"], settings["points"])
