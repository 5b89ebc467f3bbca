"""The items file: what is measured, what it is made of, what it may lose."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import Field, field_validator

from drivers.quantities import LENGTH_UNITS, LengthM, RatioDb, parse_quantity
from drivers.toml_file import Mistake, Table, nearest, raise_mistakes, read_table
from harness.analysis.arrays import FloatArray
from harness.analysis.catalogue import Catalogue, UnknownPartError
from harness.analysis.expected import ExpectedLoss, expected_loss
from harness.analysis.parts import parse_part
from harness.station import Station, read_station

_ITEM_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


def length_in_m(text: str) -> float:
    """Read "450 mm"; raises ValueError."""
    return parse_quantity(text, LENGTH_UNITS, "450 mm")


class Item(Table):
    """One device under test."""

    description: str = ""
    made_of: tuple[str, ...] = ()
    """Parts in order, such as "RG-316 450 mm" and "2 x SMA"; empty: nothing is expected."""
    length_limits_m: LengthM = Field(default=0.0, alias="length_limits", ge=0)
    """Half-width of the limits of the cable's length."""
    cable_length_m: LengthM | None = Field(default=None, alias="cable_length", gt=0)
    """Of a cable that is not in the catalogue yet; for the procedure `cable-lengths`."""
    adapters: tuple[str, ...] = Field(default=(), max_length=2)
    """Which single adapters it is, one or two mated; for the procedure `adapter-pairs`."""
    return_loss_db: RatioDb | None = Field(default=None, alias="return_loss", gt=0)
    """Least return loss of either end; left out: estimated from the readings."""
    limits_db: dict[str, Annotated[RatioDb, Field(gt=0)]] = Field(default={}, alias="limits")
    """Most it may lose, by band."""

    @field_validator("made_of")
    @classmethod
    def _readable(cls, made_of: tuple[str, ...]) -> tuple[str, ...]:
        for text in made_of:
            parse_part(text, length_in_m)
        return made_of

    @field_validator("adapters")
    @classmethod
    def _two_adapters(cls, adapters: tuple[str, ...]) -> tuple[str, ...]:
        if any(not name.strip() for name in adapters) or len(set(adapters)) < len(adapters):
            raise ValueError(
                "name each of the two adapters that are mated, such as a serial number"
            )
        return adapters

    def expected(
        self, frequency_hz: FloatArray, temperature_c: float, catalogue: Catalogue
    ) -> ExpectedLoss | None:
        """What it ought to lose at `frequency_hz` (P,), if it says what it is made of.

        Raises:
            UnknownPartError: the catalogue lacks a part, or a length is missing or too much.
        """
        if not self.made_of:
            return None
        return expected_loss(
            [parse_part(text, length_in_m) for text in self.made_of],
            catalogue,
            frequency_hz,
            temperature_c=temperature_c,
            length_limits_m=self.length_limits_m,
        )


class ItemsFile(Table):
    """All items that the file lists."""

    items: dict[str, Item]

    @field_validator("items")
    @classmethod
    def _usable_names(cls, items: dict[str, Item]) -> dict[str, Item]:
        if not items:
            raise ValueError("there is no item to measure: add a table such as [items.PIG-0451]")
        wrong = [name for name in items if not _ITEM_NAME.fullmatch(name)]
        if wrong:
            raise ValueError(
                f"{wrong[0]!r} cannot name an item: use letters, digits, '.', '-' and '_'"
            )
        return items


@dataclass(frozen=True)
class Workplace:
    """A station with the items to be measured on it, both checked, and against each other."""

    station: Station
    items: dict[str, Item]
    folder: Path
    """Where the station file stands; other files it names are relative to it."""

    def choose(self, names: list[str]) -> dict[str, Item]:
        """The named items in that order; all of them without names.

        Raises:
            InputError: an item is not in the file; names the nearest.
        """
        unknown = [name for name in names if name not in self.items]
        raise_mistakes(
            [
                Mistake("--item", name, f"there is no such item; {nearest(name, [*self.items])}")
                for name in unknown
            ]
        )
        return {name: self.items[name] for name in names or self.items}


def read_workplace(station_path: Path, items_path: Path) -> Workplace:
    """Read and check both files.

    Raises:
        InputError: with every mistake of both, each with file and key.
    """
    station = read_station(station_path)
    items = read_table(items_path, ItemsFile)
    mistakes = [*station.mistakes, *items.mistakes]
    if station.content is not None and items.content is not None:
        bands = list(station.content.bands)
        mistakes += [
            Mistake(
                str(items_path),
                f"items.{name}.limits.{band}",
                f"{station_path} has no such band; {nearest(band, bands)}",
            )
            for name, item in items.content.items.items()
            for band in item.limits_db
            if band not in bands
        ]
        catalogue = station.content.known_parts()
        for name, item in items.content.items.items():
            try:
                item.expected(np.array([1e9]), station.content.temperature_c, catalogue)
            except UnknownPartError as error:
                mistakes.append(Mistake(str(items_path), f"items.{name}.made_of", str(error)))
    raise_mistakes(
        mistakes,
        hint="`tareline init DIR` writes files to start from"
        if any("no such file" in mistake.problem for mistake in mistakes)
        else "",
    )
    if station.content is None or items.content is None:
        raise AssertionError("files without mistakes have content")
    return Workplace(station.content, items.content.items, station_path.resolve().parent)


def item_as_dict(name: str, item: Item) -> dict[str, Any]:
    """SI numbers with the unit at the end of each key; what is not stated is left out."""
    return {"id": name, **item.model_dump(exclude_none=True)}
