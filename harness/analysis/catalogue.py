"""What cables, connectors and adapters nominally lose, each entry with its source.

The entries are in `catalogue.toml`. A cable stands there as its published points; the
constants of a sqrt(f) + b f are fitted to them here.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from harness.analysis.arrays import FloatArray

METRES_PER_UNIT = {"dB/m": 1.0, "dB/100 m": 100.0, "dB/100 ft": 30.48}
"""Length that a unit of attenuation refers to, in m (1 ft = 0.3048 m exactly)."""
COPPER_LOSS_PER_K = 0.00197
"""Half the temperature coefficient of copper's resistance, 0.00393 /K at 20 C (NBS Handbook
100, 1.1; from memory): conductor loss goes with the square root of the resistance."""
POINTS_TEMPERATURE_C = 20.0


class UnknownPartError(LookupError):
    """A part that the catalogue does not have, or one that is listed wrongly."""

    def __str__(self) -> str:
        return str(self.args[0])


@dataclass(frozen=True)
class Cable:
    """A cable type: attenuation a sqrt(f) + b f in dB/m with f in GHz, at 20 C."""

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

    def relative_uncertainty_at(self, frequency_hz: FloatArray) -> FloatArray:
        """Relative standard uncertainty, (P,): above the published points it grows in proportion
        to frequency (a judgement, not a published rule)."""
        beyond = np.maximum(frequency_hz / self.highest_point_hz, 1.0)
        return np.asarray(self.relative_uncertainty * beyond)

    def attenuation_db_per_m(
        self, frequency_hz: FloatArray, temperature_c: float = POINTS_TEMPERATURE_C
    ) -> FloatArray:
        """Nominal attenuation, shape (P,)."""
        ghz = frequency_hz / 1e9
        warming = 1.0 + COPPER_LOSS_PER_K * (temperature_c - POINTS_TEMPERATURE_C)
        return np.asarray(
            self.conductor_db_per_m * warming * np.sqrt(ghz) + self.dielectric_db_per_m * ghz
        )


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

    def relative_uncertainty_at(self, frequency_hz: FloatArray) -> FloatArray:
        """Relative standard uncertainty, (P,)."""
        return np.full_like(frequency_hz, self.relative_uncertainty)

    def loss_db(self, frequency_hz: FloatArray) -> FloatArray:
        """Nominal loss, shape (P,)."""
        ghz = frequency_hz / 1e9
        return np.asarray(self.ohmic_db * np.sqrt(ghz) + self.reflective_db * ghz**2)


def fit_attenuation(
    frequency_hz: FloatArray, attenuation: FloatArray, uncertainty: FloatArray | None = None
) -> tuple[float, float]:
    """Least-squares constants (a, b) of a sqrt(f) + b f with f in GHz, neither negative.

    All arguments have shape (M,), M at least 2; the constants have the unit of `attenuation`.
    Points count alike, or by the inverse square of their `uncertainty`.
    """
    from scipy.optimize import nnls

    ghz = np.asarray(frequency_hz) / 1e9
    weight = np.ones_like(ghz) if uncertainty is None else 1.0 / np.asarray(uncertainty)
    terms = np.column_stack([np.sqrt(ghz), ghz]) * weight[:, None]
    (a, b), _ = nnls(terms, np.asarray(attenuation, float) * weight)
    return float(a), float(b)


@dataclass(frozen=True)
class Catalogue:
    """All entries, by name."""

    cables: Mapping[str, Cable]
    joints: Mapping[str, Joint]

    def find(self, name: str) -> Cable | Joint:
        """The entry called `name`, upper or lower case alike.

        Raises:
            UnknownPartError: there is none; names the nearest.
        """
        import difflib

        entries: dict[str, Cable | Joint] = {**self.cables, **self.joints}
        by_folded = {key.casefold(): key for key in entries}
        key = by_folded.get(name.casefold())
        if key is None:
            near = difflib.get_close_matches(name.casefold(), by_folded, n=1, cutoff=0.5)
            hint = (
                f"did you mean {by_folded[near[0]]!r}?" if near else f"known: {', '.join(entries)}"
            )
            raise UnknownPartError(f"there is no part {name!r} in the catalogue; {hint}")
        return entries[key]


@cache
def load_catalogue() -> Catalogue:
    """The catalogue that comes with Tareline."""
    text = (resources.files("harness.analysis") / "catalogue.toml").read_text("utf-8")
    data = tomllib.loads(text)
    return Catalogue(
        {name: _cable(name, entry) for name, entry in data["cables"].items()},
        {name: _joint(name, entry) for name, entry in data["joints"].items()},
    )


def _cable(name: str, entry: dict[str, Any]) -> Cable:
    points = np.asarray(entry["points_mhz"], dtype=np.float64)
    per_metre = points[:, 1] / METRES_PER_UNIT[entry["unit"]]
    # makers' points are good to a share of their value, at low frequency as at high
    a, b = fit_attenuation(points[:, 0] * 1e6, per_metre, per_metre)
    return Cable(
        name=name,
        description=entry["description"],
        conductor_db_per_m=a,
        dielectric_db_per_m=b,
        relative_uncertainty=entry["relative_uncertainty"],
        highest_point_hz=float(points[:, 0].max()) * 1e6,
        source=entry["source"],
    )


def _joint(name: str, entry: dict[str, Any]) -> Joint:
    return Joint(
        name,
        entry["description"],
        entry["ohmic_db"],
        entry.get("reflective_db", 0.0),
        entry["relative_uncertainty"],
        entry["source"],
    )
