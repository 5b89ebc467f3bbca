"""Whether a station could be connected, without touching an instrument."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.dialects.dialect import (
    Dialect,
    NetworkAnalyzerDialect,
    PowerMeterDialect,
    SignalGeneratorDialect,
    SignalSwitchDialect,
    SpectrumAnalyzerDialect,
    ThermometerDialect,
    load_dialect,
)
from drivers.errors import InputError
from drivers.toml_file import Mistake, nearest, raise_mistakes
from harness.report.words.suggested_command import suggested_command
from harness.station.items import Workplace
from harness.station.station import Station

PYVISA_PY = "@py"
_DIALECTS: dict[str, type[Dialect]] = {
    "analyzer": NetworkAnalyzerDialect,
    "generator": SignalGeneratorDialect,
    "power_meter": PowerMeterDialect,
    "spectrum_analyzer": SpectrumAnalyzerDialect,
    "switch": SignalSwitchDialect,
    "thermometer": ThermometerDialect,
}
"""By role; the drivers stand in `instrument_roles`."""


def check_files(workplace: Workplace, items: Sequence[str], *, must_measure: bool = True) -> None:
    """Check what the station file names: its dialects, and its simulated bench with `items`.

    Raises:
        InputError: a file is missing or wrong, or the bench lacks an item or an instrument; or
            the station has no instruments, while it `must_measure`.
    """
    station = workplace.station
    if must_measure:
        require_instruments(station)
    raise_mistakes(_wrong_addresses(station))
    for role in station.instruments():
        dialect_of(workplace, role)
    if station.simulation is not None and station.simulation.bench is not None:
        from drivers.simulated.described.bench_description import read_description

        path = workplace.folder / station.simulation.bench
        description = read_description(path)
        there = list(description.items)
        mistakes = [
            Mistake(str(path), f"items.{item}", f"is not described; {nearest(item, there)}")
            for item in items
            if item not in there
        ]
        mistakes += [
            Mistake(str(path), role, "is not described, but the station has one: add its table")
            for role in station.instruments()
            if getattr(description, role) is None
        ]
        raise_mistakes(mistakes)


def _wrong_addresses(station: Station) -> list[Mistake]:
    """Other libraries than pyvisa-py may know an instrument by a name of their own."""
    stated = [
        (role, table.resource)
        for role, table in station.instruments().items()
        if table.resource is not None and table.visa_library == PYVISA_PY
    ]
    if not stated:
        return []
    from drivers.link.link import LIKE, address_fault

    return [
        Mistake("the station file", f"{role}.resource", f"{fault}; {LIKE}")
        for role, resource in stated
        if (fault := address_fault(resource))
    ]


def dialect_of(workplace: Workplace, role: str) -> Dialect:
    """The dialect of the station's table `role`.

    Raises:
        InputError: there is no such dialect, or it is wrong, or for another role.
    """
    table = getattr(workplace.station, role)
    dialect = load_dialect(table.dialect, _DIALECTS[role], relative_to=workplace.folder)
    if isinstance(dialect, NetworkAnalyzerDialect):
        dialect.require_told_apart(table.traces, table.dialect)
    return dialect


def require_instruments(station: Station) -> None:
    """Check that there is something to measure with.

    Raises:
        InputError: the station is for recorded files.
    """
    if not station.instruments():
        raise InputError(
            "this station has no instruments to measure with: it is for recorded files",
            hint="give the station its instruments, or take the files in:\n"
            + suggested_command(
                "import", "--through", "A.s2p", "--item", "B.s2p", "--name", "ITEM"
            ),
        )
