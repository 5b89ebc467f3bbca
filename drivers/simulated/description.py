"""What a simulated bench is made of: the file that describes it, read and checked.

The description holds the construction of everything (dimensions, materials, faults), never
its loss: that follows by physics in `construction`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, PositiveFloat, model_validator

from drivers.quantities import (
    CapacitanceF,
    ConductivitySPerM,
    FrequencyHz,
    InductanceH,
    LengthM,
    LevelDbm,
    RatioDb,
    ResistanceOhm,
    TimeS,
)
from drivers.toml_file import Table, nearest, parse_table, read_table, require


class Line(Table):
    """A kind of coaxial line: dimensions, dielectric, conductors."""

    inner_diameter_m: LengthM = Field(alias="inner_diameter", gt=0)
    outer_diameter_m: LengthM = Field(alias="outer_diameter", gt=0)
    permittivity: float = Field(ge=1)
    loss_tangent: float = Field(ge=0)
    inner_conductivity_s_per_m: ConductivitySPerM = Field(alias="inner_conductivity", gt=0)
    outer_conductivity_s_per_m: ConductivitySPerM = Field(alias="outer_conductivity", gt=0)
    inner_factor: float = Field(default=1.0, ge=1)
    """Resistance of a stranded inner conductor over that of a smooth solid one."""
    outer_factor: float = Field(default=1.0, ge=1)
    """Resistance of a braid over that of a smooth tube."""

    @model_validator(mode="after")
    def _outer_is_outside(self) -> Line:
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


Part = Annotated[LinePart | ConnectorPart | CornerPart | SeriesPart, Field(discriminator="kind")]


class Assembly(Table):
    """Parts in a row, from the first lead to the second."""

    parts: tuple[Part, ...]


class Analyzer(Table):
    """The simulated network analyzer's own imperfections."""

    trace_noise_db: RatioDb = Field(alias="trace_noise", ge=0)
    """Root mean square, at 1 kHz of intermediate-frequency bandwidth."""
    noise_floor_dbm: LevelDbm = Field(alias="noise_floor")
    """At 1 kHz of intermediate-frequency bandwidth."""
    drift_db: RatioDb = Field(alias="drift", ge=0)
    """Root mean square of the slow change of gain."""
    drift_period_s: TimeS = Field(alias="drift_period", gt=0)
    port_capacitance_f: CapacitanceF = Field(alias="port_capacitance", ge=0)
    """What makes a port differ from 50 ohm."""
    lowest_frequency_hz: FrequencyHz = Field(alias="lowest_frequency", gt=0)
    highest_frequency_hz: FrequencyHz = Field(alias="highest_frequency", gt=0)
    highest_power_dbm: LevelDbm = Field(alias="highest_power")


class Leads(Table):
    """Two equal test leads with a pad at the end of each."""

    line: str
    length_m: LengthM = Field(alias="length", gt=0)
    pad_db: RatioDb = Field(alias="pad", ge=0)
    pad_capacitance_f: CapacitanceF = Field(alias="pad_capacitance", ge=0)


class Mating(Table):
    """One making of a connection: contact resistance and pin gap, drawn anew every time."""

    resistance_at_1_ghz_ohm: ResistanceOhm = Field(alias="resistance_at_1_ghz", ge=0)
    gap_h: InductanceH = Field(alias="gap", ge=0)
    spread: float = Field(ge=0, le=0.4)
    """Relative standard deviation of both."""


class Hand(Table):
    """The simulated operator."""

    connecting_time_s: TimeS = Field(alias="connecting_time", ge=0)


class BenchDescription(Table):
    """A whole simulated bench."""

    seed: int = Field(ge=0)
    pace: float = Field(default=0.0, ge=0)
    """Real seconds per simulated second of sweeping; 0 sweeps at once."""
    analyzer: Analyzer
    leads: Leads
    mating: Mating
    hand: Hand
    through: Assembly
    lines: dict[str, Line]
    items: dict[str, Assembly]
    reference_impedance_ohm: PositiveFloat = 50.0

    @model_validator(mode="after")
    def _lines_exist(self) -> BenchDescription:
        named = [("leads.line", self.leads.line)]
        assemblies = {"through": self.through} | {f"items.{n}": a for n, a in self.items.items()}
        for where, assembly in assemblies.items():
            named += [
                (f"{where}.parts.{i}.of", part.of)
                for i, part in enumerate(assembly.parts)
                if isinstance(part, LinePart)
            ]
        wrong = [
            f"{where}: there is no line {name!r}; {nearest(name, list(self.lines))}"
            for where, name in named
            if name not in self.lines
        ]
        if wrong:
            raise ValueError("; ".join(wrong))
        return self


def read_description(path: Path) -> BenchDescription:
    """Read a bench description from a TOML file.

    Raises:
        InputError: the file is missing or wrong; lists every mistake.
    """
    return require(read_table(path, BenchDescription))


def parse_description(text: str, name: str = "bench description") -> BenchDescription:
    """Read a bench description from TOML text; raises `InputError` like `read_description`."""
    return require(parse_table(text, BenchDescription, name))
