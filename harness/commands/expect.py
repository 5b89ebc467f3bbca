"""`tareline expect`: what a chain of cable, connectors and adapters ought to lose."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

if TYPE_CHECKING:
    from collections.abc import Mapping

    from harness.analysis.arrays import FloatArray
    from harness.analysis.expected.catalogue_parts import Catalogue
    from harness.station.items import Item
    from harness.station.station import Station

USUAL_FREQUENCIES = "433 MHz, 868 MHz, 1.6 GHz, 2.4 GHz, 5.8 GHz"
USUAL_STATION = Path("station.toml")

_FilePath = Optional[Path]  # noqa: UP045  (typer reads it at run time)
_Quantity = Optional[str]  # noqa: UP045


def expect(
    chains: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Argument(
            metavar="CHAIN",
            help='Parts joined by " + ": "RG-316 450 mm + 2 x SMA". Several are candidates.',
        ),
    ] = None,
    at: Annotated[str, typer.Option(help="Frequencies, parted by commas.")] = USUAL_FREQUENCIES,
    item: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(help="Also what this item of the items file is made of; may be repeated."),
    ] = None,
    temperature: Annotated[
        _Quantity, typer.Option(help="By default the station's, or 20 °C.")
    ] = None,
    limit: Annotated[_Quantity, typer.Option(help='Most it may lose, such as "1 dB".')] = None,
    maximum: Annotated[
        bool, typer.Option("--maximum", help="Judge by the most that good parts may lose.")
    ] = False,
    longest_under: Annotated[
        _Quantity,
        typer.Option(help="How long the cable may be to stay below this loss."),
    ] = None,
    length_limits: Annotated[
        str, typer.Option(help="Half-width of the limits of every cable's length.")
    ] = "0 mm",
    figure: Annotated[
        _FilePath, typer.Option(help="Draw loss over frequency (SVG, PNG or PDF).")
    ] = None,
    station: Annotated[
        _FilePath,
        typer.Option(help="Station whose parts and temperature hold; station.toml if there."),
    ] = None,
    items: Annotated[Path, typer.Option(help="Items file.")] = Path("items.toml"),
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """Tell what a chain of parts ought to lose, part by part, with its uncertainty.

    Several are ranked: least loss first, what misses the limit or its rating last.
    Exit status 1: the first is not surely below the limit.
    """
    from dataclasses import replace

    from drivers.errors import InputError
    from drivers.quantities import LENGTH_UNITS
    from harness.analysis.expected.catalogue_files import load_catalogue
    from harness.analysis.expected.expected_loss import REFERENCE_TEMPERATURE_C
    from harness.planning.expectation import Job, candidate, ranked
    from harness.planning.expectation import as_json as document
    from harness.report.words.suggested_command import suggested_command

    where = _station(station)
    catalogue = load_catalogue() if where is None else where.known_parts()
    usual_c = REFERENCE_TEMPERATURE_C if where is None else where.temperature_c
    job = Job(
        frequency_hz=_frequencies_hz(at),
        temperature_c=_temperature_c(temperature, usual_c),
        length_limits_m=_not_negative("--length-limits", length_limits, LENGTH_UNITS, "5 mm"),
        limit_db=_limit_db("--limit", limit),
        by_maximum=maximum,
    )
    under_db = _limit_db("--longest-under", longest_under)
    found = [candidate(text, job, catalogue, longest_under_db=under_db) for text in chains or ()]
    for name, chosen in _items(item or [], items).items():
        if not chosen.made_of:
            raise InputError(
                f"{name} does not say what it is made of",
                where=str(items),
                hint='give it made_of = ["RG-316 450 mm", "2 x SMA"]',
            )
        limits_m = max(job.length_limits_m, chosen.length_limits_m)
        of_item = replace(job, length_limits_m=limits_m)
        text = " + ".join(chosen.made_of)
        found.append(candidate(text, of_item, catalogue, longest_under_db=under_db, item_name=name))
    if not found:
        raise InputError(
            "there is no chain to look at",
            hint="for example\n"
            + suggested_command("expect", "RG-316 450 mm + 2 x SMA", "--at", "2.4 GHz, 5.8 GHz"),
        )
    found = ranked(found)
    if figure is not None:
        from harness.report.figures.expectation_figure import draw

        draw(found, catalogue, figure)
    if as_json:
        import json

        typer.echo(json.dumps(document(found, job), allow_nan=False, ensure_ascii=False))
    else:
        from rich.console import Console

        from harness.report.tables.expectation_table import print_expectation

        print_expectation(found, Console(highlight=False))
    if figure is not None:
        typer.echo(f"figure: {figure}", err=as_json)
    raise typer.Exit(0 if found[0].is_sure else 1)


def known_parts(station: Path | None) -> Catalogue:
    """The parts of the station that is named, or is here; otherwise those that all have."""
    from harness.analysis.expected.catalogue_files import load_catalogue

    where = _station(station)
    return load_catalogue() if where is None else where.known_parts()


def _station(path: Path | None) -> Station | None:
    """The station that is named, or the one that is here."""
    from drivers.toml_file import require
    from harness.station.station import read_station

    if path is None and not USUAL_STATION.exists():
        return None
    return require(read_station(path or USUAL_STATION))


def _items(names: list[str], path: Path) -> dict[str, Item]:
    from drivers.toml_file import Mistake, nearest, raise_mistakes, read_table, require
    from harness.station.items import ItemsFile

    if not names:
        return {}
    listed = require(read_table(path, ItemsFile)).items
    raise_mistakes(
        [
            Mistake("--item", name, f"there is no such item; {nearest(name, [*listed])}")
            for name in names
            if name not in listed
        ]
    )
    return {name: listed[name] for name in names}


def _quantity(option: str, text: str, units: Mapping[str, float], example: str) -> float:
    from drivers.errors import InputError
    from drivers.quantities import parse_quantity

    try:
        return parse_quantity(text, units, example)
    except ValueError as error:
        raise InputError(f"{option}: {error}") from error


def _not_negative(option: str, text: str, units: Mapping[str, float], example: str) -> float:
    from drivers.errors import InputError

    value = _quantity(option, text, units, example)
    if value < 0.0:
        raise InputError(f"{option}: {text!r} must not be negative")
    return value


def _limit_db(option: str, text: str | None) -> float | None:
    from drivers.errors import InputError
    from drivers.quantities import RATIO_UNITS

    if text is None:
        return None
    value = _quantity(option, text, RATIO_UNITS, "0.5 dB")
    if value <= 0.0:
        raise InputError(f"{option}: {text!r} must be above zero")
    return value


def _temperature_c(text: str | None, otherwise: float) -> float:
    from drivers.errors import InputError
    from drivers.quantities import TEMPERATURE_UNITS

    if text is None:
        return otherwise
    value = _quantity("--temperature", text, TEMPERATURE_UNITS, "35 °C")
    if not -100.0 <= value <= 200.0:
        raise InputError(f"--temperature: {text!r} is not between -100 °C and 200 °C")
    return value


def _frequencies_hz(text: str) -> FloatArray:
    """Rising, each once."""
    import numpy as np

    from drivers.errors import InputError
    from drivers.quantities import FREQUENCY_UNITS

    given = [_quantity("--at", one, FREQUENCY_UNITS, "2.4 GHz") for one in text.split(",")]
    if min(given) <= 0.0:
        raise InputError(f"--at: {text!r}: a frequency must be above zero")
    return np.unique(np.array(given, dtype=np.float64))
