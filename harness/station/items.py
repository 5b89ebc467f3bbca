"""The items file: what is measured, what it is made of, what it may lose."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import Field, PlainValidator, ValidationInfo, field_validator, model_validator

from drivers.errors import InputError
from drivers.quantities import (
    FREQUENCY_UNITS,
    LENGTH_UNITS,
    RATIO_UNITS,
    SI_CONTEXT,
    LengthM,
    RatioDb,
    parse_quantity,
)
from drivers.toml_file import Mistake, Table, nearest, raise_mistakes, read_table
from harness.analysis.arrays import FloatArray
from harness.analysis.expected.catalogue_parts import Catalogue, UnknownPartError
from harness.analysis.expected.expected_loss import ExpectedLoss, expected_loss
from harness.analysis.expected.part_list import parse_part
from harness.analysis.uncertainty.conformity import DecisionRule
from harness.analysis.uncertainty.limits import Formula, parse_formula
from harness.station.leads_level import stated_level
from harness.station.rule_tables import DecisionTable
from harness.station.station import Station, read_station

_ITEM_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_PLAIN_LIMIT = re.compile(r"\s*[+-]?[\d.,]+(?:[eE][+-]?\d+)?\s*[^\s\d+*/^()-]*\s*")


def length_in_m(text: str) -> float:
    """Read "450 mm"; raises ValueError."""
    return parse_quantity(text, LENGTH_UNITS, "450 mm")


def _formula(text: str) -> Formula:
    return parse_formula(text, FREQUENCY_UNITS, RATIO_UNITS)


def _number_or_formula(value: Any, info: ValidationInfo) -> float | str:
    if info.context == SI_CONTEXT and isinstance(value, (int, float)):
        return float(value)
    if isinstance(value, str) and value.strip() and not _PLAIN_LIMIT.fullmatch(value):
        return _formula(value).text
    limit_db = parse_quantity(value, RATIO_UNITS, "0.5 dB")
    if limit_db <= 0.0:
        raise ValueError(f"{value!r}: a limit must be above 0 dB")
    return limit_db


Limit = Annotated[float | str, PlainValidator(_number_or_formula)]
"""Decibels, or a formula such as "expected + 0.3 dB"."""


class Item(Table):
    """One device under test."""

    description: str = ""
    made_of: tuple[str, ...] = ()
    """Parts in order, such as "RG-316 450 mm" and "2 x SMA"; empty: nothing is expected."""
    length_limits_m: LengthM = Field(default=0.0, alias="length_limits", ge=0)
    """Half-width of the limits of the cable's length."""
    cable_length_m: LengthM | None = Field(default=None, alias="cable_length", gt=0)
    """Of a cable that is not in the catalogue yet; for the procedure `cable-lengths`."""
    ends: tuple[str, ...] = Field(default=(), max_length=2)
    """Markings of its two ends, that of the end for the near lead first."""
    adapters: tuple[str, ...] = Field(default=(), max_length=2)
    """Which single adapters it is, one or two mated; for the procedure `adapter-pairs`."""
    return_loss_db: RatioDb | None = Field(default=None, alias="return_loss", gt=0)
    """Least return loss of either end; left out: estimated from the readings."""
    limits_db: dict[str, Limit] = Field(default={}, alias="limits")
    """Most it may lose, by band: a number in dB, or the text of a formula."""
    decision: DecisionTable | None = None
    """Rule for this item; left out: the station's."""

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

    def limit_db(
        self, band: str, frequency_hz: FloatArray, expected: ExpectedLoss | None
    ) -> FloatArray | None:
        """Most it may lose in `band` at `frequency_hz` (P,), if that is limited.

        A limit that builds on the expected loss is as sharp as any other: the uncertainty of
        the expectation is no uncertainty of the measurement.

        Raises:
            ValueError: a formula is not above 0 dB everywhere, or needs the expected loss of
                an item that does not say what it is made of.
        """
        limit = self.limits_db.get(band)
        if limit is None or isinstance(limit, float):
            return None if limit is None else np.full_like(frequency_hz, limit)
        return _formula(limit).at(frequency_hz, None if expected is None else expected.loss_db)

    def decision_rule(self, station: Station) -> DecisionRule:
        """The item's own rule, else the station's."""
        return (self.decision or station.decision).as_rule()


class ItemsFile(Table):
    """All items that the file lists, and the kinds of which serial numbers are made."""

    items: dict[str, Item] = Field(default={})
    kinds: dict[str, Item] = Field(default={})
    """What every item of a lot is; the serial number comes from whoever measures it."""

    @field_validator("items", "kinds")
    @classmethod
    def _usable_names(cls, items: dict[str, Item]) -> dict[str, Item]:
        wrong = [name for name in items if not _ITEM_NAME.fullmatch(name)]
        if wrong:
            raise ValueError(
                f"{wrong[0]!r} cannot name an item: use A to Z, a to z, digits, '.', '-' and '_'"
            )
        return items

    @model_validator(mode="after")
    def _has_something(self) -> ItemsFile:
        if not self.items and not self.kinds:
            raise ValueError("there is no item to measure: add a table such as [items.PIG-0451]")
        return self


@dataclass(frozen=True)
class Workplace:
    """A station with the items to be measured on it, both checked, and against each other."""

    station: Station
    items: dict[str, Item]
    folder: Path
    """Where the station file stands; other files it names are relative to it."""

    kinds: dict[str, Item] = field(default_factory=dict)
    """What the items of a lot are, by the name of the kind."""

    def choose(self, names: list[str]) -> dict[str, Item]:
        """The named items in that order; all of them without names.

        Raises:
            InputError: an item is not in the file; names the nearest. Or it has kinds only.
        """
        if not self.items:
            raise InputError(
                "the items file has kinds only, and no item of its own",
                hint="the procedure spot-check takes items by serial number, with --kind "
                f"{next(iter(self.kinds), 'KIND')}; or add a table such as [items.PIG-0451]",
            )
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
        catalogue = station.content.known_parts()
        listed = {f"items.{name}": item for name, item in items.content.items.items()}
        listed |= {f"kinds.{name}": item for name, item in items.content.kinds.items()}
        try:
            stated_level(station.content, bands[0])
        except (UnknownPartError, ValueError) as error:
            mistakes.append(Mistake(str(station_path), "leads.made_of", str(error)))
        for name, item in listed.items():
            try:
                item.expected(np.array([1e9]), station.content.temperature_c, catalogue)
            except UnknownPartError as error:
                mistakes.append(Mistake(str(items_path), f"{name}.made_of", str(error)))
                continue
            for band in item.limits_db:
                wrong = (
                    _limit_fault(station.content, item, band)
                    if band in bands
                    else f"{station_path} has no such band; {nearest(band, bands)}"
                )
                if wrong:
                    mistakes.append(Mistake(str(items_path), f"{name}.limits.{band}", wrong))
    raise_mistakes(
        mistakes,
        hint="`tareline init DIR` writes files to start from"
        if any("no such file" in mistake.problem for mistake in mistakes)
        else "",
    )
    if station.content is None or items.content is None:
        raise AssertionError("files without mistakes have content")
    return Workplace(
        station.content,
        items.content.items,
        station_path.resolve().parent,
        items.content.kinds,
    )


def _limit_fault(station: Station, item: Item, band: str) -> str:
    """Why a limit cannot be worked out in its band; empty if it can."""
    chosen = station.bands[band]
    frequency_hz = np.linspace(chosen.start_hz, chosen.stop_hz, chosen.points)
    try:
        item.limit_db(
            band,
            frequency_hz,
            item.expected(frequency_hz, station.temperature_c, station.known_parts()),
        )
    except ValueError as error:
        return str(error)
    return ""


IDENTITY = ("id", "kind")
"""Keys of an item in a run file that name it; all others state what it is."""


def item_as_dict(name: str, item: Item, kind: str = "") -> dict[str, Any]:
    """SI numbers with the unit at the end of each key; what is not stated is left out."""
    named = {"id": name, "kind": kind} if kind else {"id": name}
    return {**named, **item.model_dump(exclude_none=True)}
