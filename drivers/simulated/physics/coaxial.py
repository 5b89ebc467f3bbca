"""Coaxial lines as scikit-rf's transmission-line media, sound and spoiled ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.described.faulty_part_tables import CrushedPart, WetBraidPart
from drivers.simulated.described.part_tables import DescribedLine
from drivers.simulated.described.surroundings import (
    REFERENCE_TEMPERATURE_C,
    conductor_resistance_ratio,
)

if TYPE_CHECKING:
    from skrf import Frequency, Network
    from skrf.media import Coaxial

ComplexArray = NDArray[np.complex128]


def coaxial(
    line: DescribedLine,
    frequency: Frequency,
    port_impedance_ohm: float,
    temperature_c: float = REFERENCE_TEMPERATURE_C,
    resistance_scale: float = 1.0,
) -> Coaxial:
    """The line as scikit-rf's coaxial medium (Schelkunoff's solution for both conductors).

    A conductor whose resistance is `factor` times that of a smooth one has a surface
    resistance as if its conductivity were `factor` squared times less. All metals here have
    the temperature coefficient of copper (silver's differs from it by 3 %).
    """
    from skrf.media import Coaxial

    resistivity_scale = conductor_resistance_ratio(temperature_c) * resistance_scale**2
    delay_change = 1e-6 * line.delay_ppm_per_k * (temperature_c - REFERENCE_TEMPERATURE_C)
    inner = line.inner_conductivity_s_per_m / line.inner_factor**2 / resistivity_scale
    outer = line.outer_conductivity_s_per_m / line.outer_factor**2 / resistivity_scale
    return Coaxial(
        frequency,
        z0_port=port_impedance_ohm,
        Dint=line.inner_diameter_m,
        Dout=line.outer_diameter_m,
        epsilon_r=line.permittivity * (1.0 + delay_change) ** 2,
        tan_delta=line.loss_tangent,
        inner_conductor={"sigma": inner},
        outer_conductor={"sigma": outer},
    )


@dataclass(frozen=True)
class Medium:
    """Propagation constant in 1/m and impedance in ohm of a line, each of shape (P,)."""

    gamma: ComplexArray
    impedance_ohm: ComplexArray


def solved(media: Coaxial) -> Medium:
    """A scikit-rf medium with its propagation constant and impedance worked out once, from the
    line's impedance and admittance per metre (telegrapher's equations)."""
    along, across = np.asarray(media.Z), np.asarray(media.Y)
    return Medium(np.sqrt(along * across), np.sqrt(along / across))


def section(
    medium: Medium, length_m: float, frequency: Frequency, port_impedance_ohm: float
) -> Network:
    """A length of a line between ports of a real impedance.

    With g = (Z - Z0) / (Z + Z0) and p = exp(-gamma l): S11 = g (1 - p^2) / (1 - g^2 p^2),
    S21 = p (1 - g^2) / (1 - g^2 p^2) (textbook). This is what scikit-rf's `Media.line` finds by
    two changes of port impedance, whose rounding makes a short lossless line amplify by 1e-13.
    """
    from skrf import Network

    z = medium.impedance_ohm
    step = (z - port_impedance_ohm) / (z + port_impedance_ohm)
    travel = -medium.gamma * length_m
    denominator = 1.0 - step**2 * np.exp(2.0 * travel)
    reflection = -step * np.expm1(2.0 * travel) / denominator
    transmission = np.exp(travel) * (1.0 - step**2) / denominator
    rows = [[reflection, transmission], [transmission, reflection]]
    s = np.moveaxis(np.array(rows), -1, 0)
    return Network(frequency=frequency, s=s, z0=port_impedance_ohm)


def altered(line: DescribedLine, part: CrushedPart | WetBraidPart) -> DescribedLine:
    """The line as a fault over some of its length has left it."""
    if isinstance(part, CrushedPart):
        changes = {
            "outer_diameter_m": part.outer_diameter_m,
            "inner_diameter_m": part.inner_diameter_m,
        }
    else:
        changes = {
            "outer_factor": part.outer_factor,
            "loss_tangent": part.loss_tangent,
            "permittivity": part.permittivity,
        }
    return line.model_copy(update={key: v for key, v in changes.items() if v is not None})


def of_impedance(line: DescribedLine, ratio: float) -> DescribedLine:
    """The line with an outer diameter that gives it `ratio` times its impedance."""
    logarithm = ratio * np.log(line.outer_diameter_m / line.inner_diameter_m)
    outer_m = float(line.inner_diameter_m * np.exp(logarithm))
    return line.model_copy(update={"outer_diameter_m": outer_m})


def air_line(impedance_ohm: float, frequency: Frequency) -> Medium:
    """A lossless air line of any impedance."""
    from scipy.constants import speed_of_light

    gamma = 2j * np.pi * frequency.f / speed_of_light
    return Medium(gamma, np.full_like(gamma, impedance_ohm))
