"""Quantities given as options: what is wrong with one is said with the option's name."""

from __future__ import annotations

from collections.abc import Mapping


def quantity(option: str, text: str, units: Mapping[str, float], example: str) -> float:
    """A quantity such as "2.4 GHz" in the unit that `units` scales to.

    Raises:
        InputError: it is none.
    """
    from drivers.errors import InputError
    from drivers.quantities import parse_quantity

    try:
        return parse_quantity(text, units, example)
    except ValueError as error:
        raise InputError(f"{option}: {error}") from error


def positive(option: str, text: str, units: Mapping[str, float], example: str) -> float:
    """As `quantity`, above zero.

    Raises:
        InputError: it is none, or not above zero.
    """
    from drivers.errors import InputError

    value = quantity(option, text, units, example)
    if value <= 0.0:
        raise InputError(f"{option}: {text!r} is not above zero")
    return value
