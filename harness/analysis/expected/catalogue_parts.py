"""What cables, connectors and adapters nominally lose, each entry with its source.

The entries that come with Tareline are in `cables.toml` and `joints.toml`; `catalogue_files`
reads them. A cable stands there as its published points; the constants of a sqrt(f) + b f are
fitted to them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.expected.attenuation_fit import curve_variance
from harness.analysis.expected.part_list import writing_hint

METRES_PER_UNIT = {"dB/m": 1.0, "dB/100 m": 100.0, "dB/100 ft": 30.48}
"""Length that a unit of attenuation refers to, in m (1 ft = 0.3048 m exactly)."""
COPPER_LOSS_PER_K = 0.00197
"""Half the temperature coefficient of copper's resistance, 0.00393 /K at 20 C (NBS Handbook
100, 1.1; from memory): conductor loss goes with the square root of the resistance."""
POINTS_TEMPERATURE_C = 20.0

EntryT = TypeVar("EntryT")


class UnknownPartError(LookupError):
    """A part that the catalogue does not have, or one that is listed wrongly."""

    def __str__(self) -> str:
        return str(self.args[0])


@dataclass(frozen=True)
class Stated:
    """A number with its standard uncertainty, in the same unit, and where it is from."""

    value: float
    uncertainty: float
    source: str


@dataclass(frozen=True)
class Construction:
    """What a cable is made of, as far as its loss goes; how it is wound as words of closed
    lists."""

    inner_diameter_m: float
    outer_diameter_m: float
    """Over the dielectric."""
    inner: str
    outer: str
    loss_tangent: float
    conductivity_s_per_m: float
    source: str


@dataclass(frozen=True, eq=False)
class PublishedPoints:
    """One published table; arrays have shape (M,)."""

    frequency_hz: FloatArray
    attenuation_db_per_m: FloatArray
    standard_uncertainty_db_per_m: FloatArray
    source: str


@dataclass(frozen=True, eq=False)
class CableMaximum:
    """The most that a cable may lose, as a multiple of its nominal attenuation.

    Between published maxima the multiple follows the logarithm of frequency; outside it stays
    what it is at the last one, since so few points carry no curve of their own.
    """

    frequency_hz: FloatArray
    """(Q,), rising."""
    over_nominal: FloatArray
    """(Q,), none below 1."""
    source: str

    def ratio(self, frequency_hz: FloatArray) -> FloatArray:
        """Maximum over nominal, (P,)."""
        return np.asarray(
            np.interp(np.log(frequency_hz), np.log(self.frequency_hz), self.over_nominal)
        )


@dataclass(frozen=True)
class MakersSpread:
    """By how much the tables of different makers differ, where that depends on frequency."""

    frequency_hz: FloatArray
    """(M,), rising."""
    relative_uncertainty: FloatArray
    """(M,), standard; between the points it goes with the logarithm of frequency."""
    source: str


@dataclass(frozen=True)
class Cable:
    """A cable type: attenuation a sqrt(f) + b f in dB/m with f in GHz."""

    name: str
    description: str
    conductor_db_per_m: float
    """a"""
    dielectric_db_per_m: float
    """b"""
    relative_uncertainty: float
    """Standard, of a cable of this type bought without further knowledge."""
    highest_point_hz: float
    """Above it the published points say nothing and the fit is extrapolated."""
    source: str
    covariance: tuple[tuple[float, float], tuple[float, float]] = ((0.0, 0.0), (0.0, 0.0))
    """Of (a, b), in (dB/m)^2: what the points leave open."""
    points: PublishedPoints | None = None
    """Those that the constants were fitted to."""
    maximum: CableMaximum | None = None
    velocity_factor: Stated | None = None
    temperature_coefficient: Stated | None = None
    """Of conductor loss, in 1/K; copper's where none is stated."""
    points_temperature_c: float = POINTS_TEMPERATURE_C
    rated_frequency: Stated | None = None
    """In Hz."""
    construction: Construction | None = None
    aliases: tuple[str, ...] = ()
    spread: MakersSpread | None = None
    """In place of `relative_uncertainty` where makers differ more at some frequencies."""

    def relative_uncertainty_at(self, frequency_hz: FloatArray) -> FloatArray:
        """Relative standard uncertainty, (P,): spread of the type and what the fit leaves open.

        Above the published points the first grows in proportion to frequency (a judgement, not
        a published rule).
        """
        beyond = np.maximum(frequency_hz / self.highest_point_hz, 1.0)
        fit = curve_variance(np.asarray(self.covariance), frequency_hz)
        nominal = self.attenuation_at_points_db_per_m(frequency_hz)
        of_type: float | FloatArray = self.relative_uncertainty
        if self.spread is not None:
            at, differ = self.spread.frequency_hz, self.spread.relative_uncertainty
            of_type = np.interp(np.log(frequency_hz), np.log(at), differ)
        return np.asarray(np.sqrt((of_type * beyond) ** 2 + fit / nominal**2))

    def attenuation_db_per_m(
        self, frequency_hz: FloatArray, temperature_c: float = POINTS_TEMPERATURE_C
    ) -> FloatArray:
        """Nominal attenuation, shape (P,)."""
        ghz = frequency_hz / 1e9
        stated = self.temperature_coefficient
        per_k = COPPER_LOSS_PER_K if stated is None else stated.value
        warming = 1.0 + per_k * (temperature_c - self.points_temperature_c)
        return np.asarray(
            self.conductor_db_per_m * warming * np.sqrt(ghz) + self.dielectric_db_per_m * ghz
        )

    def attenuation_at_points_db_per_m(self, frequency_hz: FloatArray) -> FloatArray:
        """Nominal attenuation at the temperature of the published points, (P,)."""
        return self.attenuation_db_per_m(frequency_hz, self.points_temperature_c)

    def fit_residuals(self) -> FloatArray | None:
        """Fitted points less the curve, in standard uncertainties of the points, (M,).

        None where the constants were not fitted to points.
        """
        points = self.points
        if points is None:
            return None
        off = points.attenuation_db_per_m - self.attenuation_at_points_db_per_m(points.frequency_hz)
        return np.asarray(off / points.standard_uncertainty_db_per_m)

    def maximum_db_per_m(
        self, frequency_hz: FloatArray, temperature_c: float = POINTS_TEMPERATURE_C
    ) -> FloatArray | None:
        """Most attenuation, shape (P,), never below the nominal one; None where none is stated."""
        if self.maximum is None:
            return None
        nominal = self.attenuation_db_per_m(frequency_hz, temperature_c)
        return np.asarray(self.maximum.ratio(frequency_hz) * nominal)

    def warming_uncertainty_db_per_m(
        self, frequency_hz: FloatArray, temperature_c: float
    ) -> FloatArray:
        """Standard uncertainty of the change with temperature since the points, (P,)."""
        stated = self.temperature_coefficient
        per_k = 0.0 if stated is None else stated.uncertainty
        change_k = abs(temperature_c - self.points_temperature_c)
        ghz = frequency_hz / 1e9
        return np.asarray(self.conductor_db_per_m * np.sqrt(ghz) * per_k * change_k)


@dataclass(frozen=True)
class Torque:
    """Mating torque, from lowest to highest, in N m and as the inch world states it."""

    n_m: tuple[float, float]
    in_lbf: tuple[float, float]
    source: str


@dataclass(frozen=True)
class Joint:
    """A mated connector pair or an adapter: loss a sqrt(f) + c f^2 in dB with f in GHz.

    The first term is ohmic; the second is reflection at a discontinuity.
    """

    name: str
    description: str
    ohmic_db: float
    reflective_db: float
    relative_uncertainty: float
    source: str
    kind: str = "connector"
    """connector (one mated pair) or adapter (body with both matings)."""
    maximum_ohmic_db: float | None = None
    maximum_reflective_db: float = 0.0
    maximum_source: str = ""
    rated_frequency: Stated | None = None
    """In Hz."""
    torque: Torque | None = None
    coupling: str = ""
    """How it mates where there is no torque to give."""
    aliases: tuple[str, ...] = ()

    def relative_uncertainty_at(self, frequency_hz: FloatArray) -> FloatArray:
        """Relative standard uncertainty, (P,)."""
        return np.full_like(frequency_hz, self.relative_uncertainty)

    def loss_db(self, frequency_hz: FloatArray) -> FloatArray:
        """Nominal loss, shape (P,)."""
        ghz = frequency_hz / 1e9
        return np.asarray(self.ohmic_db * np.sqrt(ghz) + self.reflective_db * ghz**2)

    def maximum_loss_db(self, frequency_hz: FloatArray) -> FloatArray | None:
        """Most loss, shape (P,); None where none is stated."""
        if self.maximum_ohmic_db is None:
            return None
        ghz = frequency_hz / 1e9
        return np.asarray(
            self.maximum_ohmic_db * np.sqrt(ghz) + self.maximum_reflective_db * ghz**2
        )


def rests_on_memory(source: str) -> bool:
    """Whether a source says that there is no document behind a number."""
    return bool(re.search(r"from memory|no source", source))


@dataclass(frozen=True)
class Catalogue:
    """All entries, by name."""

    cables: Mapping[str, Cable]
    joints: Mapping[str, Joint]
    _by_spelling: dict[str, str] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        entries: list[Cable | Joint] = [*self.cables.values(), *self.joints.values()]
        # of two entries with one alias the first counts
        spellings = {
            _folded(alias): entry.name for entry in reversed(entries) for alias in entry.aliases
        }
        # an entry's own name counts for more than another one's alias
        spellings |= {_folded(name): name for name in [*self.cables, *self.joints]}
        object.__setattr__(self, "_by_spelling", spellings)

    def with_entries(self, other: Catalogue) -> Catalogue:
        """These entries with those of `other`, which come first and replace those whose name is
        one of theirs."""
        spelled = set(other._by_spelling)
        return Catalogue(
            {**other.cables, **_without(self.cables, spelled)},
            {**other.joints, **_without(self.joints, spelled)},
        )

    def find(self, name: str) -> Cable | Joint:
        """The entry called `name`, or by one of its other names.

        Upper and lower case, blanks and hyphens make no difference: "rg316" is "RG-316".

        Raises:
            UnknownPartError: there is none; names the nearest.
        """
        key = self._by_spelling.get(_folded(name))
        if key is None:
            known = ", ".join([*self.cables, *self.joints])
            near = self._nearest(_folded(name))
            hint = writing_hint(name) or (f"did you mean {near!r}?" if near else f"known: {known}")
            raise UnknownPartError(f"there is no part {name!r} in the catalogue; {hint}")
        return self.cables.get(key) or self.joints[key]

    def _nearest(self, spelled: str) -> str:
        """The name that is spelled most alike; one with the same signs in another order first."""
        import difflib

        close = difflib.get_close_matches(
            spelled, self._by_spelling, n=len(self._by_spelling) or 1, cutoff=0.5
        )
        close.sort(key=lambda known: sorted(known) != sorted(spelled))
        return self._by_spelling[close[0]] if close else ""


def _folded(name: str) -> str:
    return re.sub(r"[\s-]+", "", name.casefold())


def _without(entries: Mapping[str, EntryT], spelled: set[str]) -> dict[str, EntryT]:
    return {name: entry for name, entry in entries.items() if _folded(name) not in spelled}
