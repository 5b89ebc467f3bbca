"""A cable in a catalogue file: its published points, its construction, and what they give."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import pairwise
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, field_validator, model_validator

from harness.analysis.arrays import FloatArray
from harness.analysis.expected.attenuation_fit import fit_with_covariance, is_fit
from harness.analysis.expected.catalogue_form import (
    Entry,
    FrequencyEntry,
    NotNegative,
    Number,
    Positive,
    Share,
    Text,
    told,
)
from harness.analysis.expected.catalogue_parts import (
    METRES_PER_UNIT,
    POINTS_TEMPERATURE_C,
    Cable,
    CableMaximum,
    Construction,
    MakersSpread,
    PublishedPoints,
    Stated,
)

COPPER_S_PER_M = 58e6
"""IACS copper at 20 C (NBS Handbook 100, 1966)."""

Unit = Literal["dB/m", "dB/100 m", "dB/100 ft"]
Points = tuple[tuple[Positive, Positive], ...]
Nominal = Callable[[FloatArray], FloatArray]


def _rising(points: Points) -> Points:
    mhz = [point[0] for point in points]
    if any(low >= high for low, high in pairwise(mhz)):
        raise ValueError("the frequencies must rise from point to point")
    return points


class MaximumEntry(Entry):
    """The most that a cable may lose: points, or a multiple of its nominal attenuation."""

    unit: Unit | None = None
    points_mhz: Points | None = Field(default=None, min_length=1)
    over_nominal: Annotated[Number, Field(ge=1, le=10)] | None = None
    source: Text

    @field_validator("points_mhz")
    @classmethod
    def _rises(cls, points: Points | None) -> Points | None:
        return points if points is None else _rising(points)

    @model_validator(mode="after")
    def _one_of_two(self) -> MaximumEntry:
        if (self.points_mhz is None) == (self.over_nominal is None):
            raise ValueError("give either points_mhz with their unit, or over_nominal")
        if self.points_mhz is not None and self.unit is None:
            raise ValueError(f"unit is missing: one of {', '.join(METRES_PER_UNIT)}")
        return self

    def maximum(self, nominal: Nominal, sources: Mapping[str, str]) -> CableMaximum:
        """The maximum against the `nominal` attenuation at given frequencies."""
        source = told(self.source, sources)
        if self.over_nominal is not None:
            return CableMaximum(np.array([1e9]), np.array([self.over_nominal]), source)
        points = _published(self.points_mhz, self.unit, 0.0, source)
        ratio = points.attenuation_db_per_m / nominal(points.frequency_hz)
        return CableMaximum(points.frequency_hz, np.maximum(ratio, 1.0), source)


class StatedShare(Entry):
    """A number without a unit, with its standard uncertainty."""

    value: Annotated[Number, Field(gt=0, le=1)]
    uncertainty: Share = 0.01
    source: Text


class CoefficientEntry(Entry):
    """Relative change of conductor loss with temperature."""

    per_k: Annotated[Number, Field(ge=-0.1, le=0.1)]
    uncertainty: NotNegative = 0.0004
    source: Text


class ConstructionEntry(Entry):
    """Dimensions, winding and materials."""

    inner_diameter_mm: Positive
    outer_diameter_mm: Positive
    """Over the dielectric."""
    inner: Literal["solid", "7 strands", "19 strands"]
    outer: Literal["tube", "foil and braid", "two braids", "braid"]
    loss_tangent: Annotated[Number, Field(ge=0, le=1)]
    conductivity_ms_per_m: Positive = COPPER_S_PER_M / 1e6
    source: Text

    @model_validator(mode="after")
    def _outer_is_outside(self) -> ConstructionEntry:
        if self.outer_diameter_mm <= self.inner_diameter_mm:
            raise ValueError("outer_diameter_mm must be larger than inner_diameter_mm")
        return self

    def construction(self, sources: Mapping[str, str]) -> Construction:
        """In SI units."""
        return Construction(
            inner_diameter_m=self.inner_diameter_mm / 1e3,
            outer_diameter_m=self.outer_diameter_mm / 1e3,
            inner=self.inner,
            outer=self.outer,
            loss_tangent=self.loss_tangent,
            conductivity_s_per_m=self.conductivity_ms_per_m * 1e6,
            source=told(self.source, sources),
        )


class ConstantsEntry(Entry):
    """Constants of a sqrt(f) + b f, f in GHz, where they were found without published points."""

    conductor_db_per_m: NotNegative
    dielectric_db_per_m: NotNegative
    covariance: tuple[tuple[Number, Number], tuple[Number, Number]] = ((0.0, 0.0), (0.0, 0.0))
    """Of the two, in (dB/m)^2."""
    highest_ghz: Positive

    @model_validator(mode="after")
    def _something(self) -> ConstantsEntry:
        if self.conductor_db_per_m + self.dielectric_db_per_m <= 0.0:
            raise ValueError("a cable without any loss cannot be: one constant must be positive")
        matrix = np.asarray(self.covariance)
        slack = 1e-9 * float(np.abs(matrix).max())
        if abs(matrix[0, 1] - matrix[1, 0]) > slack or np.linalg.eigvalsh(matrix)[0] < -slack:
            raise ValueError("covariance must be symmetric and without negative variance")
        return self


class SpreadEntry(Entry):
    """Where the tables of different makers differ by more than relative_uncertainty."""

    points_mhz: Points = Field(min_length=1)
    """Frequency and relative standard uncertainty; above the last, relative_uncertainty."""
    source: Text

    @field_validator("points_mhz")
    @classmethod
    def _rises(cls, points: Points) -> Points:
        return _rising(points)

    def spread(self, sources: Mapping[str, str], above: float) -> MakersSpread:
        """With the uncertainty `above` its last point from there on."""
        mhz, differ = np.array(self.points_mhz, dtype=np.float64).T
        # a step is a very steep line
        at = np.append(mhz, mhz[-1] * (1.0 + 1e-9)) * 1e6
        return MakersSpread(at, np.append(differ, above), told(self.source, sources))


class CableEntry(Entry):
    """A cable: its published points, or constants found otherwise."""

    description: str = ""
    aliases: tuple[Text, ...] = ()
    unit: Unit | None = None
    points_mhz: Points | None = Field(default=None, min_length=2)
    points_uncertainty: Share = 0.02
    """Relative and standard, of each point by itself."""
    points_rounding: NotNegative = 0.0
    """Step of the last digit, in the unit."""
    fitted_db_per_m: tuple[NotNegative, NotNegative] | None = None
    """The constants that the points give, where they are known: a short command would spend most
    of its time on loading the solver."""
    points_temperature_c: Annotated[Number, Field(ge=-100, le=200)] = POINTS_TEMPERATURE_C
    constants: ConstantsEntry | None = None
    relative_uncertainty: Share
    makers_differ: SpreadEntry | None = None
    source: Text
    velocity_factor: StatedShare | None = None
    temperature_coefficient: CoefficientEntry | None = None
    rated_frequency: FrequencyEntry | None = None
    maximum: MaximumEntry | None = None
    construction: ConstructionEntry | None = None

    @field_validator("points_mhz")
    @classmethod
    def _rises(cls, points: Points | None) -> Points | None:
        return points if points is None else _rising(points)

    @model_validator(mode="after")
    def _one_of_two(self) -> CableEntry:
        if (self.points_mhz is None) == (self.constants is None):
            raise ValueError("give either points_mhz with their unit, or constants")
        if self.points_mhz is not None and self.unit is None:
            raise ValueError(f"unit is missing: one of {', '.join(METRES_PER_UNIT)}")
        return self

    @model_validator(mode="after")
    def _fitted_to_points(self) -> CableEntry:
        if self.fitted_db_per_m is None:
            return self
        if self.points_mhz is None:
            raise ValueError("fitted_db_per_m belongs to points_mhz: there are none")
        points = self._points("")
        at, attenuation = points.frequency_hz, points.attenuation_db_per_m
        if not is_fit(self.fitted_db_per_m, at, attenuation, points.standard_uncertainty_db_per_m):
            raise ValueError("fitted_db_per_m is not what the points give: leave it out")
        return self

    def _points(self, source: str) -> PublishedPoints:
        return _published(
            self.points_mhz, self.unit, self.points_uncertainty, source, self.points_rounding
        )

    def cable(self, name: str, sources: Mapping[str, str]) -> Cable:
        """The cable, its constants fitted to the points where they are not given."""
        points = None
        if self.constants is not None:
            a, b = self.constants.conductor_db_per_m, self.constants.dielectric_db_per_m
            covariance = self.constants.covariance
            highest_hz = self.constants.highest_ghz * 1e9
        else:
            points = self._points(told(self.source, sources))
            fit = fit_with_covariance(
                points.frequency_hz,
                points.attenuation_db_per_m,
                points.standard_uncertainty_db_per_m,
                self.fitted_db_per_m,
            )
            a, b = fit.conductor, fit.dielectric
            (aa, ab), (ba, bb) = fit.covariance.tolist()
            covariance = ((aa, ab), (ba, bb))
            highest_hz = float(points.frequency_hz[-1])
        rated, velocity = self.rated_frequency, self.velocity_factor
        warming, made = self.temperature_coefficient, self.construction
        cable = Cable(
            name=name,
            description=self.description,
            conductor_db_per_m=a,
            dielectric_db_per_m=b,
            relative_uncertainty=self.relative_uncertainty,
            highest_point_hz=highest_hz,
            source=told(self.source, sources),
            covariance=covariance,
            points=points,
            velocity_factor=None
            if velocity is None
            else Stated(velocity.value, velocity.uncertainty, told(velocity.source, sources)),
            temperature_coefficient=None
            if warming is None
            else Stated(warming.per_k, warming.uncertainty, told(warming.source, sources)),
            points_temperature_c=self.points_temperature_c,
            rated_frequency=None if rated is None else rated.stated(sources),
            construction=None if made is None else made.construction(sources),
            aliases=self.aliases,
            spread=None
            if self.makers_differ is None
            else self.makers_differ.spread(sources, self.relative_uncertainty),
        )
        if self.maximum is None:
            return cable
        return replace(
            cable, maximum=self.maximum.maximum(cable.attenuation_at_points_db_per_m, sources)
        )


def _published(
    points: Points | None, unit: Unit | None, relative: float, source: str, rounding: float = 0.0
) -> PublishedPoints:
    if points is None or unit is None:
        raise AssertionError("checked when the entry was read")
    mhz, attenuation = np.asarray(points, dtype=np.float64).T
    # a figure rounded to a step is uniformly spread within it (JCGM 100:2008, 4.3.7, F.2.2.1)
    spread = np.hypot(relative * attenuation, rounding / np.sqrt(12.0))
    metres = METRES_PER_UNIT[unit]
    return PublishedPoints(mhz * 1e6, attenuation / metres, spread / metres, source)
