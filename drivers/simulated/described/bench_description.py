"""What a simulated bench is made of: the file that describes it, read and checked.

The description holds the construction of everything (dimensions, materials, faults), never
its loss: that follows by physics in `construction`.
"""

from __future__ import annotations

import re
from pathlib import Path

from pydantic import Field, StrictInt, model_validator

from drivers.quantities import TimeS
from drivers.simulated.described.faulty_part_tables import CrushedPart, WetBraidPart
from drivers.simulated.described.instrument_description import (
    DescribedAnalyzer,
    DescribedGenerator,
    DescribedPowerMeter,
    DescribedSpectrumAnalyzer,
    DescribedSwitch,
    DescribedThermometer,
)
from drivers.simulated.described.operator_description import Operator, Share
from drivers.simulated.described.part_tables import (
    Assembly,
    DescribedLeads,
    DescribedLine,
    Mating,
    PartOfLine,
)
from drivers.simulated.described.surroundings import Temperature
from drivers.simulated.faults.fault_description import DescribedFault, RandomFaults
from drivers.toml_file import Table, nearest, parse_table, read_table, require

THROUGH = "through"
"""The name of the joined leads, among those of the items."""


LARGEST_PACE = 1e4
_ITEM_NAME = re.compile(r"[!-~]+( [!-~]+)*")


class DescribedHand(Table):
    """The hand that makes a connection at once when it is told to."""

    connecting_time_s: TimeS = Field(alias="connecting_time", ge=0)
    forgotten_share: Share = 0.0
    """Of exchanges in which nothing is done, although all says that it was: what was between the
    leads stays there, untouched."""


class BenchDescription(Table):
    """A whole simulated bench."""

    seed: StrictInt = Field(ge=0, lt=2**63)
    pace: float = Field(default=0.0, ge=0, le=LARGEST_PACE)
    """Real seconds per simulated second of sweeping; 0 sweeps at once."""
    analyzer: DescribedAnalyzer | None = None
    generator: DescribedGenerator | None = None
    power_meter: DescribedPowerMeter | None = None
    spectrum_analyzer: DescribedSpectrumAnalyzer | None = None
    switch: DescribedSwitch | None = None
    thermometer: DescribedThermometer | None = None
    leads: DescribedLeads
    mating: Mating
    hand: DescribedHand
    operator: Operator = Operator()
    temperature: Temperature = Temperature()
    through: Assembly
    lines: dict[str, DescribedLine]
    items: dict[str, Assembly]
    faults: tuple[DescribedFault, ...] = ()
    random_faults: RandomFaults | None = None
    reference_impedance_ohm: float = Field(default=50.0, ge=1.0, le=1000.0)

    @model_validator(mode="after")
    def _parts_fit(self) -> BenchDescription:
        found = [f"leads.line: {problem}" for problem in self._line_problems(self.leads.line)]
        if THROUGH in self.items:
            found.append(f"items.{THROUGH}: this name is taken by the joined leads; rename it")
        found += [
            f"items.{name}: name it with letters, digits and signs of the keyboard"
            for name in self.items
            if not _ITEM_NAME.fullmatch(name)
        ]
        found += [
            f"items.{name}.parts: an item has at least one part"
            for name, item in self.items.items()
            if not item.parts
        ]
        assemblies = {THROUGH: self.through} | {f"items.{n}": a for n, a in self.items.items()}
        for where, assembly in assemblies.items():
            for i, part in enumerate(assembly.parts):
                if isinstance(part, PartOfLine):
                    found += [f"{where}.parts.{i}.{p}" for p in self._part_problems(part)]
        if found:
            raise ValueError("; ".join(found))
        return self

    def _line_problems(self, name: str) -> list[str]:
        if name in self.lines:
            return []
        return [f"there is no line {name!r}; {nearest(name, list(self.lines))}"]

    def _part_problems(self, part: PartOfLine) -> list[str]:
        """What is wrong with a part beside its line, each beginning with the key."""
        problems = self._line_problems(part.of)
        if problems:
            return [f"of: {problem}" for problem in problems]
        line = self.lines[part.of]
        if isinstance(part, CrushedPart):
            inner_m = part.inner_diameter_m or line.inner_diameter_m
            if part.outer_diameter_m <= inner_m:
                return [f"outer_diameter: must be larger than that inside, {1e3 * inner_m:g} mm"]
        if isinstance(part, WetBraidPart) and part.outer_factor < line.outer_factor:
            return [f"outer_factor: water cannot lower that of the line, {line.outer_factor:g}"]
        return []

    def assembly(self, name: str) -> Assembly:
        """An item by its name, or the adapter that closes the through.

        Raises:
            KeyError: there is no such item on this bench.
        """
        return self.through if name == THROUGH else self.items[name]


def read_description(path: Path) -> BenchDescription:
    """Read a bench description from a TOML file.

    Raises:
        InputError: the file is missing or wrong; lists every mistake.
    """
    return require(read_table(path, BenchDescription))


def parse_description(text: str, name: str = "bench description") -> BenchDescription:
    """Read a bench description from TOML text; raises `InputError` like `read_description`."""
    return require(parse_table(text, BenchDescription, name))
