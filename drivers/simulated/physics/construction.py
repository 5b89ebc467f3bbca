"""From construction data to scattering parameters, by scikit-rf.

Everything on the simulated bench is a cascade of networks referred to 50 ohm; nothing has a
loss curve of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property, reduce
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.described.bench_description import BenchDescription
from drivers.simulated.described.faulty_part_tables import (
    BadCrimpPart,
    CrushedPart,
    LoosePinPart,
    MissingFerrulePart,
    PeriodicPart,
    WetBraidPart,
)
from drivers.simulated.described.part_tables import (
    AdapterPart,
    Assembly,
    ConnectorPart,
    CornerPart,
    DescribedLine,
    LinePart,
    PadPart,
    Part,
    SeriesPart,
    SwitchChannel,
)
from drivers.simulated.described.surroundings import (
    REFERENCE_TEMPERATURE_C,
    conductor_resistance_ratio,
)
from drivers.simulated.physics.coaxial import (
    Medium,
    air_line,
    altered,
    coaxial,
    of_impedance,
    section,
    solved,
)

if TYPE_CHECKING:
    from skrf import Frequency, Network
    from skrf.media import DefinedGammaZ0

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

USUAL_TURN_F = {"straight": 0.0, "45-degree": 0.03e-12, "right-angle": 0.08e-12}
"""Shunt capacitance where an adapter's inner conductor turns (common practice, no source)."""


class Workshop:
    """Builds networks on one frequency grid, at one temperature.

    `frequency_hz` has shape (P,), rising; `temperature_c` acts on every conductor's resistance
    and on the delay of lines that state a coefficient.
    """

    def __init__(
        self,
        description: BenchDescription,
        frequency_hz: FloatArray,
        temperature_c: float = REFERENCE_TEMPERATURE_C,
    ) -> None:
        from skrf import Frequency
        from skrf.media import DefinedGammaZ0

        self._description = description
        self._frequency: Frequency = Frequency.from_f(frequency_hz, unit="hz")
        self._temperature_c = temperature_c
        self._omega = 2.0 * np.pi * frequency_hz
        # skin effect: surface resistance follows the square root of frequency and resistivity
        self._skin_scale = np.sqrt(frequency_hz / 1e9 * conductor_resistance_ratio(temperature_c))
        self._media: dict[DescribedLine, Medium] = {}
        self._lumped: DefinedGammaZ0 = DefinedGammaZ0(
            self._frequency, z0=description.reference_impedance_ohm
        )

    def port(self, capacitance_f: float) -> Network:
        """An instrument's port: the shunt capacitance that makes it differ from 50 ohm."""
        return self._lumped.shunt_capacitor(capacitance_f)

    def lead(self, flexure_length_m: float = 0.0, resistance_scale: float = 1.0) -> Network:
        """A test lead from the instrument's end to the pad at its other end, as it lies now.

        `flexure_length_m` is what the bend adds to its length; `resistance_scale` what it makes
        of the conductors' resistance.
        """
        leads = self._description.leads
        line = self._description.lines[leads.line]
        medium = (
            self._medium(line) if resistance_scale == 1.0 else self._solve(line, resistance_scale)
        )
        lead = self._section(medium, leads.length_m + flexure_length_m)
        return self.chain([lead, self._pad_of_lead])

    def assembly(self, assembly: Assembly, open_pins: Sequence[bool] = ()) -> Network | None:
        """An item or adapter without its matings; None where two leads are joined directly.

        `open_pins` says of each loose pin, in order, whether it is open now; without, all touch.
        """
        if not assembly.parts:
            return None
        pins = iter(open_pins)
        return self.chain(
            [
                self._part(part, isinstance(part, LoosePinPart) and next(pins, False))
                for part in assembly.parts
            ]
        )

    def mating(self, resistance_scale: float = 1.0, gap_scale: float = 1.0) -> Network:
        """One made connection; scales of 1 give the nominal one."""
        mating = self._description.mating
        resistance = mating.resistance_at_1_ghz_ohm * resistance_scale * self._skin_scale
        return self._series(resistance + 1j * self._omega * mating.gap_h * gap_scale)

    def switch_side(self, channel: SwitchChannel, contact_scale: float = 1.0) -> Network:
        """One side of a switch channel: its contact, then the short line to its connector."""
        contact = self._lumped.resistor(channel.contact_resistance_ohm * contact_scale)
        body = self._body(channel.resistance_at_1_ghz_ohm, channel.impedance_ohm, channel.length_m)
        return self.chain([contact, body])

    def open_end(self) -> Network:
        """Nothing between the leads."""
        from skrf import Network

        s = np.broadcast_to(np.eye(2, dtype=complex), (len(self._skin_scale), 2, 2))
        return Network(frequency=self._frequency, s=s, z0=self._description.reference_impedance_ohm)

    def parallel(self, networks: Sequence[Network]) -> Network:
        """Networks side by side: their admittances add up."""
        if len(networks) == 1:
            return networks[0]
        from skrf import Network

        return Network(
            frequency=self._frequency,
            y=sum(network.y for network in networks),
            z0=self._description.reference_impedance_ohm,
        )

    @staticmethod
    def flipped(network: Network) -> Network:
        """The same seen from its other end."""
        return network.flipped()

    @staticmethod
    def chain(networks: Sequence[Network]) -> Network:
        """Networks one after another, all between ports of the same real impedance.

        What bounces between two of them is summed in closed form (textbook), in the order in
        which scikit-rf's `**` does it: the same to the last bit, in a tenth of its time.
        """
        if len(networks) == 1:
            return networks[0]
        from skrf import Network

        s = reduce(_cascaded, (network.s for network in networks))
        return Network(frequency=networks[0].frequency, s=s, z0=networks[0].z0)

    @cached_property
    def _pad_of_lead(self) -> Network:
        leads = self._description.leads
        pad = self._lumped.attenuator(-leads.pad_db, True)
        return self.chain([pad, self._lumped.shunt_capacitor(leads.pad_capacitance_f)])

    def _part(self, part: Part, is_open: bool) -> Network:
        lines = self._description.lines
        match part:
            case LinePart():
                return self._line(lines[part.of], part.length_m)
            case ConnectorPart():
                return self._body(part.resistance_at_1_ghz_ohm, part.impedance_ohm, part.length_m)
            case CornerPart():
                return self._lumped.shunt_capacitor(part.capacitance_f)
            case SeriesPart():
                return self._bridged(max(part.resistance_ohm, 1e-9), part.capacitance_f)
            case AdapterPart():
                return self._adapter(part)
            case PadPart():
                return self._pad(part)
            case BadCrimpPart():
                return self._bridged(part.resistance_ohm, part.gap_f or 0.0)
            case LoosePinPart():
                return (
                    self._bridged(None, part.gap_f)
                    if is_open
                    else self._lumped.resistor(part.resistance_ohm)
                )
            case MissingFerrulePart():
                return self._series(part.resistance_ohm + 1j * self._omega * part.inductance_h)
            case CrushedPart() | WetBraidPart():
                return self._line(altered(lines[part.of], part), part.length_m)
            case PeriodicPart():
                return self._periodic(lines[part.of], part)

    def _bridged(self, resistance_ohm: float | None, capacitance_f: float) -> Network:
        """A resistance (None: no contact) and a capacitance side by side, in series."""
        conductance = 0.0 if resistance_ohm is None else 1.0 / resistance_ohm
        return self._series(1.0 / (conductance + 1j * self._omega * capacitance_f))

    def _series(self, impedance_ohm: NDArray[np.inexact[Any]]) -> Network:
        """An impedance in series; scikit-rf's resistor takes a complex one."""
        return self._lumped.resistor(impedance_ohm)

    def _body(
        self, resistance_at_1_ghz_ohm: float, impedance_ohm: float, length_m: float
    ) -> Network:
        """Skin-effect resistance, then a short air line."""
        resistance = resistance_at_1_ghz_ohm * self._skin_scale
        air = air_line(impedance_ohm, self._frequency)
        return self.chain([self._series(resistance), self._section(air, length_m)])

    def _section(self, medium: Medium, length_m: float) -> Network:
        port_ohm = self._description.reference_impedance_ohm
        return section(medium, length_m, self._frequency, port_ohm)

    def _adapter(self, part: AdapterPart) -> Network:
        half = self._body(
            part.resistance_at_1_ghz_ohm / 2.0, part.impedance_ohm, part.length_m / 2.0
        )
        turn_f = USUAL_TURN_F[part.shape] if part.capacitance_f is None else part.capacitance_f
        return self.chain([half, self._lumped.shunt_capacitor(turn_f), half.flipped()])

    def _pad(self, part: PadPart) -> Network:
        """A resistive T, matched at the pad's own impedance (textbook design)."""
        ratio = 10.0 ** (part.attenuation_db / 20.0)
        series = self._lumped.resistor(part.impedance_ohm * (ratio - 1.0) / (ratio + 1.0))
        shunt_ohm = part.impedance_ohm * 2.0 * ratio / (ratio**2 - 1.0)
        end = self._lumped.shunt_capacitor(part.capacitance_f)
        return self.chain([end, series, self._lumped.shunt_resistor(shunt_ohm), series, end])

    def _periodic(self, line: DescribedLine, part: PeriodicPart) -> Network:
        high, low = (
            self._line(of_impedance(line, 1.0 + error), part.period_m / 2.0)
            for error in (part.impedance_error, -part.impedance_error)
        )
        periods = int(np.floor(part.length_m / part.period_m * (1.0 + 1e-9)))
        rest_m = part.length_m - periods * part.period_m
        parts = [self._repeated(self.chain([high, low]), periods)]
        if rest_m > 1e-9:
            parts.append(self._line(line, rest_m))
        return self.chain(parts)

    def _repeated(self, network: Network, times: int) -> Network:
        """The same network many times over, by doubling."""
        if times == 1:
            return network
        half = self._repeated(network, times // 2)
        return self.chain([half, half, network] if times % 2 else [half, half])

    def _line(self, line: DescribedLine, length_m: float) -> Network:
        return self._section(self._medium(line), length_m)

    def _medium(self, line: DescribedLine) -> Medium:
        if line not in self._media:
            self._media[line] = self._solve(line)
        return self._media[line]

    def _solve(self, line: DescribedLine, resistance_scale: float = 1.0) -> Medium:
        port_ohm = self._description.reference_impedance_ohm
        return solved(
            coaxial(line, self._frequency, port_ohm, self._temperature_c, resistance_scale)
        )


def _cascaded(first: ComplexArray, second: ComplexArray) -> ComplexArray:
    """Scattering parameters, shape (P, 2, 2), of one network behind another."""
    bounces = 1.0 - first[:, 1, 1] * second[:, 0, 0]
    once = 1.0 / bounces
    made = np.empty_like(first)
    made[:, 0, 0] = first[:, 0, 0] + first[:, 1, 0] * (first[:, 0, 1] * (second[:, 0, 0] / bounces))
    made[:, 0, 1] = second[:, 0, 1] * (first[:, 0, 1] * once)
    made[:, 1, 0] = first[:, 1, 0] * (second[:, 1, 0] * once)
    made[:, 1, 1] = second[:, 1, 1] + second[:, 0, 1] * (
        second[:, 1, 0] * (first[:, 1, 1] / bounces)
    )
    return made
