"""What a band asks of a sweeping instrument: settings, spacing and averaging, from its dialect."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drivers.dialects.dialect_messages import fill
from drivers.dialects.dialect_roles import SweptDialect
from drivers.dialects.dialect_tables import AveragingTable
from drivers.errors import InputError
from drivers.instruments.instrument import Wanted
from drivers.sweep import SPACINGS, SweepSettings


def band_settings(dialect: SweptDialect, settings: SweepSettings) -> list[Wanted]:
    """Which settings make the band, with their values."""
    table = dialect.settings
    values = {
        "start_hz": settings.start_hz,
        "stop_hz": settings.stop_hz,
        "centre_hz": 0.5 * (settings.start_hz + settings.stop_hz),
        "span_hz": settings.stop_hz - settings.start_hz,
        "points": settings.points,
        "power_dbm": settings.power_dbm,
        "if_bandwidth_hz": settings.if_bandwidth_hz,
        "reference_dbm": settings.power_dbm,
    }
    if _sends_list(dialect, settings):
        for name in ("start_hz", "stop_hz", "centre_hz", "span_hz"):
            del values[name]
    return [
        (name, setting, value)
        for name, value in values.items()
        if (setting := getattr(table, name)) is not None
    ]


def _sends_list(dialect: SweptDialect, settings: SweepSettings) -> bool:
    stated = dialect.spacing
    if stated.list is None:
        return False
    if settings.spacing == "linear":
        return not dialect.settings.has_edges
    return stated.logarithmic is None


def spacing_commands(dialect: SweptDialect, settings: SweepSettings, where: str) -> tuple[str, ...]:
    """What makes the points linear or logarithmic, or sends every one of them.

    Raises:
        InputError: the instrument has no such spacing.
    """
    stated = dialect.spacing
    if settings.spacing not in SPACINGS:
        raise InputError(
            f"there is no spacing {settings.spacing!r}", hint=f"use {' or '.join(SPACINGS)}"
        )
    if stated.list is not None and _sends_list(dialect, settings):
        if stated.longest_list is not None and settings.points > stated.longest_list:
            raise InputError(
                f"{settings.points} points: this instrument takes {stated.longest_list} "
                "listed frequencies at most; nothing was sent",
                where=where,
                hint="state fewer points for the band",
            )
        scaled = settings.frequency_hz() / stated.scale
        values = stated.separator.join(
            format(value, stated.format) if stated.format else repr(value)
            for value in scaled.tolist()
        )
        return tuple(fill(command, values=values) for command in stated.list)
    if settings.spacing == "linear":
        return stated.linear or ()
    if stated.logarithmic is None:
        raise InputError(
            "this instrument's dialect knows no logarithmic spacing; nothing was sent",
            where=where,
            hint="use linear spacing, or state `logarithmic` or `list` under [spacing]",
        )
    return stated.logarithmic


def averaging_commands(stated: AveragingTable | None, count: int, where: str) -> tuple[str, ...]:
    """What makes each point the mean of `count` readings; nothing where the driver does that.

    Raises:
        InputError: the instrument cannot make so many.
    """
    if count < 1:
        raise InputError(f"{count} averages: at least one reading makes a point")
    if stated is None:
        return ()
    if stated.highest is not None and count > stated.highest:
        raise InputError(
            f"{count} averages: this instrument makes {stated.highest} at most; nothing was sent",
            where=where,
            hint="ask for fewer",
        )
    if count == 1 and stated.off:
        return stated.off
    return tuple(fill(command, value=str(count)) for command in stated.on)


def averages_difference(query: str, count: int, got: float) -> str:
    """That a readback of averages is not what was set, in words."""
    return f"{count} averages were set but {query!r} answers {got:g}"


def axis_difference(
    axis_hz: NDArray[np.float64], frequency_hz: NDArray[np.float64], query: str
) -> str:
    """What is wrong with the frequencies, (P,), that an instrument says it sweeps; else empty.

    Each must be within a hundredth of a step of those set, (P,).
    """
    if axis_hz.shape != frequency_hz.shape:
        return f"{query!r} answered {len(axis_hz)} frequencies; expected {len(frequency_hz)}"
    step_hz = float(np.min(np.diff(frequency_hz)))
    tolerance_hz = np.maximum(0.01 * step_hz, 1e-6 * frequency_hz)
    wrong = np.flatnonzero(~(np.abs(axis_hz - frequency_hz) <= tolerance_hz))
    if not wrong.size:
        return ""
    first = int(wrong[0])
    return (
        f"point {first + 1} should be at {frequency_hz[first]:.9g} Hz but {query!r} says "
        f"{axis_hz[first]:.9g} Hz ({wrong.size} such points)"
    )
