"""From construction data to scattering parameters, by scikit-rf.

Everything on the simulated bench is a cascade of networks referred to 50 ohm; nothing has a
loss curve of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from operator import pow as cascade
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.description import (
    Assembly,
    BenchDescription,
    ConnectorPart,
    CornerPart,
    Line,
    LinePart,
    Part,
    SeriesPart,
)

if TYPE_CHECKING:
    from skrf import Frequency, Network
    from skrf.media import Coaxial, DefinedGammaZ0

FloatArray = NDArray[np.float64]


class Workshop:
    """Builds networks on one frequency grid.

    `frequency_hz` has shape (P,), rising.
    """

    def __init__(self, description: BenchDescription, frequency_hz: FloatArray) -> None:
        from skrf import Frequency
        from skrf.media import DefinedGammaZ0

        self._description = description
        self._frequency: Frequency = Frequency.from_f(frequency_hz, unit="hz")
        self._root_ghz = np.sqrt(frequency_hz / 1e9)
        self._lumped: DefinedGammaZ0 = DefinedGammaZ0(
            self._frequency, z0=description.reference_impedance_ohm
        )

    def lead(self, *, reverse: bool = False) -> Network:
        """A test lead from the analyzer's port to the pad at its end (or the other way)."""
        leads, analyzer = self._description.leads, self._description.analyzer
        parts = [
            self._lumped.shunt_capacitor(analyzer.port_capacitance_f),
            self._line(self._description.lines[leads.line], leads.length_m),
            self._lumped.attenuator(-leads.pad_db, True),
            self._lumped.shunt_capacitor(leads.pad_capacitance_f),
        ]
        return self.chain(parts[::-1] if reverse else parts)

    def assembly(self, assembly: Assembly) -> Network | None:
        """An item or adapter without its matings; None where two leads are joined directly."""
        if not assembly.parts:
            return None
        return self.chain([self._part(part) for part in assembly.parts])

    def mating(self, resistance_scale: float = 1.0, gap_scale: float = 1.0) -> Network:
        """One made connection; scales of 1 give the nominal one."""
        mating = self._description.mating
        resistance = mating.resistance_at_1_ghz_ohm * resistance_scale * self._root_ghz
        return self._lumped.resistor(resistance) ** self._lumped.inductor(mating.gap_h * gap_scale)

    def open_end(self) -> Network:
        """Nothing between the leads."""
        from skrf import Network

        s = np.broadcast_to(np.eye(2, dtype=complex), (len(self._root_ghz), 2, 2))
        return Network(frequency=self._frequency, s=s, z0=self._description.reference_impedance_ohm)

    @staticmethod
    def chain(networks: Sequence[Network]) -> Network:
        """Networks one after another."""
        return reduce(cascade, networks)

    def _part(self, part: Part) -> Network:
        match part:
            case LinePart():
                return self._line(self._description.lines[part.of], part.length_m)
            case ConnectorPart():
                resistance = part.resistance_at_1_ghz_ohm * self._root_ghz
                section = air_line(
                    part.impedance_ohm, self._frequency, self._description.reference_impedance_ohm
                )
                return self._lumped.resistor(resistance) ** section.line(part.length_m, "m")
            case CornerPart():
                return self._lumped.shunt_capacitor(part.capacitance_f)
            case SeriesPart():
                omega = 2.0 * np.pi * self._frequency.f
                admittance = 1.0 / max(part.resistance_ohm, 1e-9) + 1j * omega * part.capacitance_f
                return self._lumped.resistor(1.0 / admittance)

    def _line(self, line: Line, length_m: float) -> Network:
        return coaxial(line, self._frequency, self._description.reference_impedance_ohm).line(
            length_m, "m"
        )


def coaxial(line: Line, frequency: Frequency, port_impedance_ohm: float) -> Coaxial:
    """The line as scikit-rf's coaxial medium (Schelkunoff's solution for both conductors).

    A conductor whose resistance is `factor` times that of a smooth one has a surface
    resistance as if its conductivity were `factor` squared times less.
    """
    from skrf.media import Coaxial

    return Coaxial(
        frequency,
        z0_port=port_impedance_ohm,
        Dint=line.inner_diameter_m,
        Dout=line.outer_diameter_m,
        epsilon_r=line.permittivity,
        tan_delta=line.loss_tangent,
        inner_conductor={"sigma": line.inner_conductivity_s_per_m / line.inner_factor**2},
        outer_conductor={"sigma": line.outer_conductivity_s_per_m / line.outer_factor**2},
    )


def air_line(
    impedance_ohm: float, frequency: Frequency, port_impedance_ohm: float
) -> DefinedGammaZ0:
    """A lossless air line of any impedance."""
    from scipy.constants import speed_of_light
    from skrf.media import DefinedGammaZ0

    gamma = 2j * np.pi * frequency.f / speed_of_light
    return DefinedGammaZ0(frequency, z0_port=port_impedance_ohm, z0=impedance_ohm, gamma=gamma)
