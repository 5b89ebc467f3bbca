"""What items, leads and adapters are made of, as tables of a bench description.

A part holds its construction (dimensions, materials, what went wrong), never its loss: that
follows by physics in `construction`. Faulty parts are in `parts_faulty`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_args

from pydantic import BeforeValidator, Field, model_validator

from drivers.quantities import (
    CapacitanceF,
    ConductivitySPerM,
    InductanceH,
    LengthM,
    RatioDb,
    ResistanceOhm,
)
from drivers.simulated.described.faulty_part_tables import (
    CrushedPart,
    FaultyPart,
    LoosePinPart,
    PeriodicPart,
    WetBraidPart,
)
from drivers.toml_file import Table, nearest


class DescribedLine(Table):
    """A kind of coaxial line: dimensions, dielectric, conductors; materials at 20 °C."""

    inner_diameter_m: LengthM = Field(alias="inner_diameter", gt=0)
    outer_diameter_m: LengthM = Field(alias="outer_diameter", gt=0)
    permittivity: float = Field(ge=1, le=100)
    loss_tangent: float = Field(ge=0, le=1)
    inner_conductivity_s_per_m: ConductivitySPerM = Field(alias="inner_conductivity", gt=0)
    outer_conductivity_s_per_m: ConductivitySPerM = Field(alias="outer_conductivity", gt=0)
    inner_factor: float = Field(default=1.0, ge=1, le=100)
    """Resistance of a stranded inner conductor over that of a smooth solid one."""
    outer_factor: float = Field(default=1.0, ge=1, le=100)
    """Resistance of a braid over that of a smooth tube."""
    delay_ppm_per_k: float = Field(default=0.0, gt=-1000.0, lt=1000.0)
    """Relative change of the delay with temperature, in parts per million per kelvin."""

    @model_validator(mode="after")
    def _outer_is_outside(self) -> DescribedLine:
        if self.outer_diameter_m <= self.inner_diameter_m:
            raise ValueError("outer_diameter must be larger than inner_diameter")
        return self


class LinePart(Table):
    """A length of a line."""

    kind: Literal["line"]
    of: str
    length_m: LengthM = Field(alias="length", gt=0)


class ConnectorPart(Table):
    """A connector body: ohmic loss rising with the square root of frequency, and a short
    section of its own impedance."""

    kind: Literal["connector"]
    resistance_at_1_ghz_ohm: ResistanceOhm = Field(alias="resistance_at_1_ghz", ge=0)
    length_m: LengthM = Field(alias="length", gt=0)
    impedance_ohm: ResistanceOhm = Field(alias="impedance", gt=0)


class CornerPart(Table):
    """A corner of the inner conductor: extra shunt capacitance."""

    kind: Literal["corner"]
    capacitance_f: CapacitanceF = Field(alias="capacitance", ge=0)


class SeriesPart(Table):
    """A series fault: a resistance, bridged by a capacitance if one is given."""

    kind: Literal["series"]
    resistance_ohm: ResistanceOhm = Field(alias="resistance", ge=0)
    capacitance_f: CapacitanceF = Field(default=0.0, alias="capacitance", ge=0)


class AdapterPart(Table):
    """An adapter body: two halves of a short line with ohmic loss, and what is between them.

    That is the extra shunt capacitance where the inner conductor turns: none in a straight
    adapter, less at 45 degrees than at a right angle.
    """

    kind: Literal["adapter"]
    shape: Literal["straight", "right-angle", "45-degree"]
    length_m: LengthM = Field(alias="length", gt=0)
    impedance_ohm: ResistanceOhm = Field(default=50.0, alias="impedance", gt=0)
    resistance_at_1_ghz_ohm: ResistanceOhm = Field(alias="resistance_at_1_ghz", ge=0)
    capacitance_f: Annotated[CapacitanceF, Field(ge=0)] | None = Field(
        default=None, alias="capacitance"
    )
    """Of the turn; a usual one for the shape if not given."""


class PadPart(Table):
    """An attenuator pad: a resistive T for an impedance of its own between end capacitances."""

    kind: Literal["pad"]
    attenuation_db: RatioDb = Field(alias="attenuation", gt=0, le=60)
    impedance_ohm: ResistanceOhm = Field(default=50.0, alias="impedance", gt=0)
    capacitance_f: CapacitanceF = Field(default=0.0, alias="capacitance", ge=0)


SoundPart = LinePart | ConnectorPart | CornerPart | SeriesPart | AdapterPart | PadPart
_KINDS = [
    get_args(part.model_fields["kind"].annotation)[0]
    for part in (*get_args(SoundPart), *get_args(FaultyPart))
]


def _of_known_kind(part: Any) -> Any:
    kind = part.get("kind") if isinstance(part, dict) else None
    if isinstance(kind, str) and kind not in _KINDS:
        raise ValueError(f"there is no kind of part {kind!r}; {nearest(kind, _KINDS)}")
    return part


Part = Annotated[
    SoundPart | FaultyPart, Field(discriminator="kind"), BeforeValidator(_of_known_kind)
]
PartOfLine = LinePart | CrushedPart | WetBraidPart | PeriodicPart
"""Parts that name a line in `of`."""


MOST_PARTS = 1000


class Assembly(Table):
    """Parts in a row, from the first lead to the second."""

    parts: tuple[Part, ...] = Field(max_length=MOST_PARTS)


def intermittent_probabilities(assembly: Assembly) -> tuple[float, ...]:
    """Of each loose contact in the assembly, the probability that it is open in a sweep."""
    return tuple(part.probability for part in assembly.parts if isinstance(part, LoosePinPart))


class DescribedLeads(Table):
    """Two equal test leads with a pad at the end of each."""

    line: str
    length_m: LengthM = Field(alias="length", gt=0)
    pad_db: RatioDb = Field(alias="pad", ge=0)
    pad_capacitance_f: CapacitanceF = Field(alias="pad_capacitance", ge=0)
    flexure_length_m: LengthM = Field(default=0.0, alias="flexure_length", ge=0)
    """Standard deviation of a lead's length as the signal sees it, drawn at each reconnection."""
    flexure_resistance: float = Field(default=0.0, ge=0, le=0.1)
    """Relative standard deviation of a lead's conductor resistance, drawn likewise."""

    @model_validator(mode="after")
    def _flexes_a_little(self) -> DescribedLeads:
        if self.flexure_length_m > 0.1 * self.length_m:
            raise ValueError("flexure_length must be at most a tenth of length")
        return self


class Mating(Table):
    """One making of a connection: contact resistance and pin gap, drawn anew every time."""

    resistance_at_1_ghz_ohm: ResistanceOhm = Field(alias="resistance_at_1_ghz", ge=0)
    gap_h: InductanceH = Field(alias="gap", ge=0)
    spread: float = Field(ge=0, le=0.4)
    """Relative standard deviation of both."""


class SwitchChannel(Table):
    """A channel of the signal switch: on each side of what it joins, a contact and a short line.

    The contacts' resistance is drawn anew at every closing.
    """

    joins: Literal["through", "item"]
    """What is between its two sides: the adapter that closes the through, or the item."""
    resistance_at_1_ghz_ohm: ResistanceOhm = Field(alias="resistance_at_1_ghz", ge=0)
    """Skin-effect resistance of one side; rises with the square root of frequency."""
    contact_resistance_ohm: ResistanceOhm = Field(alias="contact_resistance", ge=0)
    length_m: LengthM = Field(alias="length", gt=0)
    impedance_ohm: ResistanceOhm = Field(default=50.0, alias="impedance", gt=0)
    spread: float = Field(ge=0, le=0.4)
    """Relative standard deviation of the contact resistance."""
