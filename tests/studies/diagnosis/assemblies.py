"""Assemblies drawn from a seed: sound ones within what the catalogue states, and faulty ones.

An item is construction data for the simulated bench; what it ought to lose is told by the
catalogue that comes with Tareline, as a user would state it. The line of a sound cable has the
catalogue's constants, apart from a deviation drawn from the catalogue's own uncertainty.
"""

from dataclasses import dataclass

import numpy as np
from scipy.constants import epsilon_0, mu_0, speed_of_light

from harness.analysis.expected.catalogue_files import load_catalogue
from harness.analysis.expected.catalogue_parts import Cable

CABLES = {
    "RG-316": ("SMA", 1.0),
    "RG-402": ("SMA semi-rigid", 0.6),
    "RG-405": ("SMA semi-rigid", 0.6),
    "195-size foam": ("SMA", 3.0),
    "240-size foam": ("SMA", 4.0),
    "100-size low-loss": ("SMA", 1.2),
}
"""Each with its connectors, and the longest length in metres that is drawn."""
MATING_OHM = 0.14
"""Of the simulated bench's nominal connection, at 1 GHz."""
OHM_PER_DB = 2.0 * 50.0 * np.log(10.0) / 20.0
"""A small series resistance in a 50-ohm line loses R / 100 ohm nepers (textbook)."""
COPPER_S_PER_M = 58e6
KINDS = ("cable", "length", "connector", "ripple", "notch")
SOUND = "sound"


@dataclass(frozen=True)
class Drawn:
    """One item as text for the bench's description, with what is true of it."""

    fault: str
    form: str
    lines: str
    parts: str
    made_of: tuple[str, ...]
    length_m: float
    """As stated."""
    truth: dict[str, float]
    """What a diagnosis should find of its fault: SI, unit at the end of the name."""


def draw(seed: int, fault: str, *, is_wide: bool) -> Drawn:
    """An item of one kind. Ripples in narrow bands need a path that one of them resolves."""
    g = np.random.default_rng([seed, 33])
    long = fault == "ripple" and not is_wide
    name = str(g.choice(["195-size foam", "240-size foam"] if long else list(CABLES)))
    cable = load_catalogue().cables[name]
    joint, longest_m = CABLES[name]
    length_m = round(float(g.uniform(0.6 * longest_m if long else 0.25, longest_m)), 2)
    own = Line.of(cable, g)
    made_of = (f"{name} {length_m * 1e3:.0f} mm", f"2 x {joint}")
    true_m = length_m * (1.0 + 0.003 * float(np.clip(g.standard_normal(), -2.0, 2.0)))
    end = _connector(g, joint)
    text, form, truth = own.text("own"), "", {}
    middle = f'{{ kind = "line", of = "own", length = "{true_m * 1e3:.2f} mm" }}'
    if fault == "cable":
        form = str(g.choice(["another cable", "wet"]))
        if form == "wet":
            wet_m = true_m * g.uniform(0.4, 1.0)
            middle = (
                f'{{ kind = "wet-braid", of = "own", length = "{wet_m * 1e3:.2f} mm", '
                f"outer_factor = {g.uniform(1.5, 3.0):.3f}, "
                f"loss_tangent = {g.uniform(0.004, 0.02):.5f} }}"
            )
            if true_m - wet_m > 0.001:
                rest = (true_m - wet_m) * 1e3
                middle += f', {{ kind = "line", of = "own", length = "{rest:.2f} mm" }}'
        else:
            text = own.times(g.uniform(1.4, 2.5), g.uniform(1.0, 3.0), g).text("own")
    elif fault == "length":
        form = str(g.choice(["too long", "too short"]))
        ratio = g.uniform(1.2, 1.5) if form == "too long" else g.uniform(0.55, 0.8)
        truth = {"length_m": true_m * ratio}
        middle = f'{{ kind = "line", of = "own", length = "{true_m * ratio * 1e3:.2f} mm" }}'
    elif fault == "connector":
        form = str(g.choice(["resistance", "gap", "outer"]))
        contact, at_first = _bad_contact(form, g), bool(g.random() < 0.5)
        middle = f"{contact}, {middle}" if at_first else f"{middle}, {contact}"
        truth = {"end": 1.0 if at_first else 2.0}
    elif fault == "ripple":
        form = "squeezed twice"
        middle, truth = _squeezed(own, true_m, long, g)
    elif fault == "notch":
        form = "periodic"
        middle, truth = _periodic(own, true_m, g)
    elif fault != SOUND:
        raise ValueError(f"there is no kind of fault {fault!r}")
    return Drawn(fault, form, text, f"[{end}, {middle}, {end}]", made_of, length_m, truth)


@dataclass(frozen=True)
class Line:
    """A line by what a catalogue says of it, and its inner diameter and impedance."""

    conductor_db_per_m: float
    dielectric_db_per_m: float
    velocity_factor: float
    inner_m: float
    impedance_ohm: float

    @classmethod
    def of(cls, cable: Cable, g: np.random.Generator) -> "Line":
        """A sound cable of the type: within its stated uncertainty, all normal."""
        together = 1.0 + cable.relative_uncertainty * g.standard_normal()
        conductor, dielectric = 1.0 + 0.3 * cable.relative_uncertainty * g.standard_normal(2)
        velocity, made = cable.velocity_factor, cable.construction
        return cls(
            cable.conductor_db_per_m * together * conductor,
            cable.dielectric_db_per_m * together * dielectric,
            velocity.value + velocity.uncertainty * float(g.standard_normal()),
            made.inner_diameter_m,
            50.0 + float(np.clip(0.8 * g.standard_normal(), -2.0, 2.0)),
        )

    def times(self, conductor: float, dielectric: float, g: np.random.Generator) -> "Line":
        """Another cable, with so many times the loss, and a speed of its own."""
        return Line(
            self.conductor_db_per_m * conductor,
            self.dielectric_db_per_m * dielectric,
            float(np.clip(self.velocity_factor * g.uniform(0.85, 1.1), 0.6, 0.9)),
            self.inner_m,
            self.impedance_ohm,
        )

    @property
    def outer_m(self) -> float:
        """Z0 = sqrt(mu0 / eps0) vf / (2 pi) ln(D / d) (textbook)."""
        free_space = np.sqrt(mu_0 / epsilon_0) / (2.0 * np.pi)
        return self.inner_m * float(np.exp(self.impedance_ohm / self.velocity_factor / free_space))

    def squeezed_m(self, ratio: float) -> float:
        """Outer diameter with `ratio` of the impedance."""
        return self.inner_m * float((self.outer_m / self.inner_m) ** ratio)

    def text(self, name: str) -> str:
        """A table of the bench's description: conductivity and loss tangent follow from the loss
        by alpha = Rs / (2 Z0) (1 / (pi d) + 1 / (pi D)) and pi f tan / v, in nepers (textbook)."""
        surface_ohm = np.sqrt(np.pi * 1e9 * mu_0 / COPPER_S_PER_M)
        around = (1.0 / self.inner_m + 1.0 / self.outer_m) / np.pi
        smooth = 20.0 / np.log(10.0) * surface_ohm * around / (2.0 * self.impedance_ohm)
        conductivity = COPPER_S_PER_M / (self.conductor_db_per_m / smooth) ** 2
        tangent = self.dielectric_db_per_m * np.log(10.0) / 20.0
        tangent *= speed_of_light * self.velocity_factor / np.pi / 1e9
        return (
            f'[lines."{name}"]\n'
            f'inner_diameter = "{self.inner_m * 1e3:.5f} mm"\n'
            f'outer_diameter = "{self.outer_m * 1e3:.5f} mm"\n'
            f"permittivity = {self.velocity_factor**-2:.5f}\nloss_tangent = {tangent:.7f}\n"
            f'inner_conductivity = "{conductivity / 1e6:.4f} MS/m"\n'
            f'outer_conductivity = "{conductivity / 1e6:.4f} MS/m"\n'
        )


def _connector(g: np.random.Generator, joint: str) -> str:
    stated = load_catalogue().joints[joint]
    drawn = 1.0 + stated.relative_uncertainty * float(np.clip(g.standard_normal(), -2.0, 2.0))
    # the nominal mating belongs to the pair; what it leaves is in the connector's body
    ohm = max(stated.ohmic_db * drawn * OHM_PER_DB - MATING_OHM, 0.0)
    return (
        f'{{ kind = "connector", resistance_at_1_ghz = "{ohm:.4f} ohm", '
        f'length = "{g.uniform(7, 12):.2f} mm", impedance = "{g.uniform(48.7, 51.0):.3f} ohm" }}'
    )


def _bad_contact(form: str, g: np.random.Generator) -> str:
    if form == "resistance":
        return f'{{ kind = "bad-crimp", resistance = "{g.uniform(5, 40):.3f} ohm" }}'
    if form == "gap":
        ohm = np.exp(g.uniform(np.log(15.0), np.log(500.0)))
        farad = np.exp(g.uniform(np.log(0.4), np.log(4.0)))
        return f'{{ kind = "bad-crimp", resistance = "{ohm:.3f} ohm", gap = "{farad:.4f} pF" }}'
    return (
        f'{{ kind = "missing-ferrule", resistance = "{g.uniform(3, 15):.3f} ohm", '
        f'inductance = "{g.uniform(0.3, 2.0):.4f} nH" }}'
    )


def _squeezed(
    own: Line, true_m: float, long: bool, g: np.random.Generator
) -> tuple[str, dict[str, float]]:
    """Two places, equally squeezed; in narrow bands only a long path turns often enough."""
    apart_m = true_m * g.uniform(0.55, 0.9) if long else true_m * g.uniform(0.2, 0.8)
    place_m, ratio = g.uniform(4, 12) / 1e3, g.uniform(0.55, 0.75)
    before_m = (true_m - apart_m) * g.uniform(0.2, 0.8)
    lengths = (before_m, apart_m - place_m, true_m - before_m - apart_m - place_m)
    squeezed = (
        f'{{ kind = "crushed", of = "own", length = "{place_m * 1e3:.2f} mm", '
        f'outer_diameter = "{own.squeezed_m(ratio) * 1e3:.5f} mm" }}'
    )
    between = [
        f'{{ kind = "line", of = "own", length = "{max(m, 1e-3) * 1e3:.2f} mm" }}' for m in lengths
    ]
    return f", {squeezed}, ".join(between), {"distance_m": apart_m}


def _periodic(own: Line, true_m: float, g: np.random.Generator) -> tuple[str, dict[str, float]]:
    """Steps that add up to a coupling of about 0.9 to 2.5 at the notch: 2 e per period."""
    notch_hz = g.uniform(1e9, 5.4e9)
    period_m = speed_of_light * own.velocity_factor / (2.0 * notch_hz)
    error = min(g.uniform(0.9, 2.5) * period_m / (2.0 * true_m), 0.2)
    text = (
        f'{{ kind = "periodic", of = "own", length = "{true_m * 1e3:.2f} mm", '
        f'period = "{period_m * 1e3:.3f} mm", impedance_error = {error:.5f} }}'
    )
    return text, {"frequency_hz": notch_hz}
