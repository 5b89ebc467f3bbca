"""Parts with something wrong with them, as tables of a bench description."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from drivers.quantities import CapacitanceF, InductanceH, LengthM, ResistanceOhm
from drivers.toml_file import Table


class BadCrimpPart(Table):
    """A crimp that does not hold: lossy (a resistance), capacitive (a gap), or a gap with a leak.

    With both, the resistance bridges the gap.
    """

    kind: Literal["bad-crimp"]
    resistance_ohm: Annotated[ResistanceOhm, Field(gt=0)] | None = Field(
        default=None, alias="resistance"
    )
    gap_f: Annotated[CapacitanceF, Field(gt=0)] | None = Field(default=None, alias="gap")

    @model_validator(mode="after")
    def _something_is_wrong(self) -> BadCrimpPart:
        if self.resistance_ohm is None and self.gap_f is None:
            raise ValueError("a bad crimp needs a resistance, a gap, or both")
        return self


class LoosePinPart(Table):
    """A centre pin that touches in some sweeps and leaves a gap in the others."""

    kind: Literal["loose-pin"]
    probability: float = Field(ge=0, le=1)
    """That it is open during a sweep."""
    gap_f: CapacitanceF = Field(alias="gap", gt=0)
    resistance_ohm: ResistanceOhm = Field(default=0.0, alias="resistance", ge=0)
    """Of the contact while it touches."""


class CrushedPart(Table):
    """A length of a line that was squeezed: the same materials, other diameters."""

    kind: Literal["crushed"]
    of: str
    length_m: LengthM = Field(alias="length", gt=0)
    outer_diameter_m: LengthM = Field(alias="outer_diameter", gt=0)
    """That of a round line with the impedance of the squeezed one."""
    inner_diameter_m: Annotated[LengthM, Field(gt=0)] | None = Field(
        default=None, alias="inner_diameter"
    )


class WetBraidPart(Table):
    """A length of a line with water in its braid: more resistance outside, a lossier dielectric."""

    kind: Literal["wet-braid"]
    of: str
    length_m: LengthM = Field(alias="length", gt=0)
    outer_factor: float = Field(ge=1, le=100)
    """Resistance of the braid over that of a smooth tube, instead of the line's own."""
    loss_tangent: float = Field(ge=0, le=1)
    permittivity: Annotated[float, Field(ge=1)] | None = None


class PeriodicPart(Table):
    """A length of a line whose impedance is in turn too high and too low, a machine's mark.

    Half of each `period` is above, half below; reflections of all periods add up where one is
    half a wave long, at c / (2 period sqrt(permittivity)).
    """

    kind: Literal["periodic"]
    of: str
    length_m: LengthM = Field(alias="length", gt=0)
    period_m: LengthM = Field(alias="period", gt=0)
    impedance_error: float = Field(gt=0, le=0.2)
    """Relative; half the difference between high and low."""

    @model_validator(mode="after")
    def _one_period_fits(self) -> PeriodicPart:
        if self.period_m > self.length_m:
            raise ValueError("period must not be longer than length")
        return self


class MissingFerrulePart(Table):
    """A braid that only touches the connector: resistance and inductance outside.

    In the loop of the line's current that is a series element.
    """

    kind: Literal["missing-ferrule"]
    resistance_ohm: ResistanceOhm = Field(alias="resistance", ge=0)
    inductance_h: InductanceH = Field(alias="inductance", ge=0)


FaultyPart = (
    BadCrimpPart | LoosePinPart | CrushedPart | WetBraidPart | PeriodicPart | MissingFerrulePart
)
