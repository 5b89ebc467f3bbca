"""Attenuation of a coaxial line from its dimensions, conductors and dielectric.

The line is scikit-rf's coaxial medium. Real conductors lose more than smooth solid ones; how
much more is stated here for each way of making them, as a factor on the resistance. All are
common practice, no source, and good to some tens of percent together: `AGREES_WITHIN`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.expected.catalogue_parts import COPPER_LOSS_PER_K, Cable
from harness.analysis.units import DB_PER_NEPER

REFERENCE_TEMPERATURE_C = 20.0

STRAND_FACTOR = {"solid": 1.0, "7 strands": 1.25, "19 strands": 1.25}
"""Resistance of the inner conductor over that of a smooth solid one (common practice)."""
STRAND_DIAMETER = {"solid": 1.0, "7 strands": 0.939, "19 strands": 0.97}
"""Electrical diameter of a bundle over that of the circle around it (handbooks; from memory)."""
BRAID_FACTOR = {"tube": 1.0, "foil and braid": 1.2, "two braids": 1.6, "braid": 2.0}
"""Resistance of the outer conductor over that of a smooth tube (common practice)."""
AGREES_WITHIN = 1.35
"""Published attenuation lies between first principles divided and multiplied by this."""


@dataclass(frozen=True)
class LineModel:
    """A line as first principles see it; arrays have shape (P,)."""

    attenuation_db_per_m: FloatArray
    impedance_ohm: FloatArray
    """Real part of the characteristic impedance."""


def model_line(
    cable: Cable, frequency_hz: FloatArray, temperature_c: float = REFERENCE_TEMPERATURE_C
) -> LineModel:
    """The line that a cable's construction makes at `frequency_hz` (P,), in any order.

    The permittivity is that of its velocity factor, 1/v^2. Surface resistance goes with the
    square root of resistivity, so that a factor on resistance is its square on resistivity.

    Raises:
        ValueError: the entry states no construction or no velocity factor.
    """
    from skrf import Frequency
    from skrf.media import Coaxial

    made, velocity = cable.construction, cable.velocity_factor
    if made is None or velocity is None:
        raise ValueError(
            f"{cable.name} states no construction and velocity_factor to calculate from"
        )
    # scikit-rf wants frequencies that rise
    rising, places = np.unique(np.atleast_1d(frequency_hz), return_inverse=True)
    warming = 1.0 + COPPER_LOSS_PER_K * (temperature_c - REFERENCE_TEMPERATURE_C)
    smooth = made.conductivity_s_per_m / warming**2
    line = Coaxial(
        Frequency.from_f(rising, unit="hz"),
        Dint=made.inner_diameter_m * STRAND_DIAMETER[made.inner],
        Dout=made.outer_diameter_m,
        epsilon_r=velocity.value**-2,
        tan_delta=made.loss_tangent,
        inner_conductor={"sigma": smooth / STRAND_FACTOR[made.inner] ** 2},
        outer_conductor={"sigma": smooth / BRAID_FACTOR[made.outer] ** 2},
    )
    return LineModel(
        DB_PER_NEPER * np.asarray(line.gamma).real[places],
        np.asarray(line.z0_characteristic).real[places],
    )


def ratio_to_catalogue(cable: Cable, frequency_hz: FloatArray) -> FloatArray:
    """Catalogue attenuation over that from first principles, (P,), at the points' temperature.

    Raises:
        ValueError: as `model_line`.
    """
    model = model_line(cable, frequency_hz, cable.points_temperature_c)
    return np.asarray(
        cable.attenuation_at_points_db_per_m(frequency_hz) / model.attenuation_db_per_m
    )
