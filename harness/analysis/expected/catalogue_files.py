"""The form of a catalogue file, and how its entries become values.

The files that come with Tareline and a user's own have the same form; numbers have their unit
in the key. Nothing but numbers, words of closed lists and sources is in them.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterator, Mapping
from functools import cache
from importlib import resources
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from harness.analysis.expected.catalogue_cables import CableEntry
from harness.analysis.expected.catalogue_form import (
    Entry,
    FrequencyEntry,
    NotNegative,
    Positive,
    Share,
    Text,
    told,
)
from harness.analysis.expected.catalogue_parts import Catalogue, Joint, Torque
from harness.analysis.expected.part_list import require_usable_name

SHIPPED = ("cables.toml", "joints.toml")
N_M_PER_IN_LBF = 0.0254 * 4.4482216152605
"""Exact: international inch, and 0.45359237 kg at standard gravity 9.80665 m/s2."""
TORQUES_AGREE_WITHIN = 0.15
"""Relative: figures of both worlds are rounded to a digit or two."""


class MaximumLoss(Entry):
    """The most that a connector or adapter may lose."""

    ohmic_db: NotNegative
    reflective_db: NotNegative = 0.0
    source: Text


class TorqueEntry(Entry):
    """Mating torque from lowest to highest, both as metric and as inch figures."""

    n_m: tuple[Positive, Positive]
    in_lbf: tuple[Positive, Positive]
    source: Text

    @model_validator(mode="after")
    def _agree(self) -> TorqueEntry:
        for metric, inch in zip(self.n_m, self.in_lbf, strict=True):
            if abs(inch * N_M_PER_IN_LBF / metric - 1.0) > TORQUES_AGREE_WITHIN:
                raise ValueError(
                    f"{metric:g} N m is {metric / N_M_PER_IN_LBF:.3g} in lbf, not {inch:g}: "
                    "correct one of them"
                )
        if self.n_m[0] > self.n_m[1]:
            raise ValueError("the lowest torque comes first: exchange the two")
        return self


class CouplingEntry(Entry):
    """How a connector without a coupling nut mates."""

    how: Text
    source: Text


class JointEntry(Entry):
    """A connector pair or an adapter."""

    kind: Literal["connector", "adapter"] = "connector"
    description: str = ""
    aliases: tuple[Text, ...] = ()
    ohmic_db: NotNegative
    reflective_db: NotNegative = 0.0
    relative_uncertainty: Share
    source: Text
    maximum: MaximumLoss | None = None
    limit: FrequencyEntry | None = None
    torque: TorqueEntry | None = None
    coupling: CouplingEntry | None = None

    @model_validator(mode="after")
    def _loses_something(self) -> JointEntry:
        if self.ohmic_db + self.reflective_db <= 0.0:
            raise ValueError("ohmic_db and reflective_db are both zero: nothing is without loss")
        if self.torque is not None and self.coupling is not None:
            raise ValueError("give either torque or coupling")
        return self

    def joint(self, name: str, sources: Mapping[str, str]) -> Joint:
        """The connector or adapter as a value."""
        most, limit, torque = self.maximum, self.limit, self.torque
        return Joint(
            name=name,
            description=self.description,
            ohmic_db=self.ohmic_db,
            reflective_db=self.reflective_db,
            relative_uncertainty=self.relative_uncertainty,
            source=told(self.source, sources),
            kind=self.kind,
            maximum_ohmic_db=None if most is None else most.ohmic_db,
            maximum_reflective_db=0.0 if most is None else most.reflective_db,
            maximum_source="" if most is None else told(most.source, sources),
            rated_frequency=None if limit is None else limit.stated(sources),
            torque=None
            if torque is None
            else Torque(torque.n_m, torque.in_lbf, told(torque.source, sources)),
            coupling="" if self.coupling is None else self.coupling.how,
            aliases=self.aliases,
        )


Names = Annotated[str, Field(min_length=1)]


class CatalogueFile(Entry):
    """A file of entries by name."""

    sources: dict[str, Text] = Field(default={})
    cables: dict[Names, CableEntry] = Field(default={})
    joints: dict[Names, JointEntry] = Field(default={})

    @field_validator("cables", "joints")
    @classmethod
    def _usable_names(cls, entries: dict[str, object]) -> dict[str, object]:
        for name in entries:
            require_usable_name(name)
        return entries

    @model_validator(mode="after")
    def _names_differ(self) -> CatalogueFile:
        twice = [name for name in self.cables if name in self.joints]
        if twice:
            raise ValueError(f"{twice[0]!r} is both a cable and a joint: rename one")
        return self

    @property
    def names(self) -> set[str]:
        """Of all entries."""
        return {*self.cables, *self.joints}

    def only(self, names: Collection[str]) -> CatalogueFile:
        """The entries of these names, with the sources that they refer to."""
        cables = {name: entry for name, entry in self.cables.items() if name in names}
        joints = {name: entry for name, entry in self.joints.items() if name in names}
        referred = {s for e in (*cables.values(), *joints.values()) for s in _sources(e)}
        sources = {key: text for key, text in self.sources.items() if key in referred}
        return CatalogueFile.model_construct(sources=sources, cables=cables, joints=joints)

    def with_entries(self, other: CatalogueFile) -> CatalogueFile:
        """Both together, of which neither has what the other has."""
        return CatalogueFile.model_construct(
            sources=self.sources | other.sources,
            cables=self.cables | other.cables,
            joints=self.joints | other.joints,
        )

    def catalogue(self) -> Catalogue:
        """The entries as values."""
        return Catalogue(
            {name: entry.cable(name, self.sources) for name, entry in self.cables.items()},
            {name: entry.joint(name, self.sources) for name, entry in self.joints.items()},
        )


def _sources(entry: Entry) -> Iterator[str]:
    values: dict[str, Any] = dict(entry)
    for key, value in values.items():
        if isinstance(value, Entry):
            yield from _sources(value)
        elif key == "source":
            yield value


@cache
def shipped_entries() -> CatalogueFile:
    """The entries that come with Tareline, as their files state them."""
    whole = CatalogueFile()
    for file in SHIPPED:
        text = (resources.files("harness.analysis.expected") / file).read_text("utf-8")
        whole = whole.with_entries(CatalogueFile.model_validate(tomllib.loads(text)))
    return whole


@cache
def load_catalogue() -> Catalogue:
    """The catalogue that comes with Tareline."""
    return shipped_entries().catalogue()
