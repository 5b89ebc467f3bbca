"""What cannot work, or not as it is meant, although station and items files are well written."""

from __future__ import annotations

import difflib
from collections.abc import Iterator

import numpy as np

from harness.analysis.expected.connector_ends import connector_of, ends_of
from harness.analysis.expected.part_list import parse_part
from harness.station.items import Item, Workplace, length_in_m
from harness.station.station import Station


def doubts_about(workplace: Workplace) -> list[str]:
    """Plain sentences, each with all that it is about; none where nothing is doubted."""
    about: dict[str, list[str]] = {}
    listed = {f"items.{name}": item for name, item in workplace.items.items()}
    listed |= {f"kinds.{name}": item for name, item in workplace.kinds.items()}
    for name, item in listed.items():
        for text in doubts_about_item(workplace.station, item):
            about.setdefault(text, []).append(name)
    of_items = [f"{', '.join(names)}: {text}" for text, names in about.items()]
    return [*_of_history(workplace), *of_items]


def doubts_about_item(station: Station, item: Item) -> list[str]:
    """Whether it can be joined to the leads, and is made for the bands it has to serve."""
    if not item.made_of:
        return []
    return [*_of_connectors(station, item), *rating_doubts(station, item)]


def _of_history(workplace: Workplace) -> Iterator[str]:
    named = workplace.station.uncertainty.history
    if named is None or (workplace.folder / named).is_dir():
        return
    there = [path.name for path in workplace.folder.iterdir() if path.is_dir()]
    near = difflib.get_close_matches(named, there, n=1)
    hint = f"did you mean {near[0]!r}?" if near else "until there is one, nothing is pooled"
    yield f"uncertainty.history: there is no folder {named!r} beside the station file; {hint}"


def _of_connectors(station: Station, item: Item) -> Iterator[str]:
    parts = [parse_part(text, length_in_m) for text in item.made_of]
    ends = ends_of(parts, station.known_parts())
    leads = tuple(connector_of(text) for text in station.leads.connectors)
    if ends is None or not all(leads) or sorted(ends) == sorted(leads):
        return
    yield (
        f"made_of ends in {_both(ends)}, the leads end in {_both(leads)}: they do not join. An "
        "adapter that stays at a lead belongs to it: state what the leads end in then as "
        "connector and far_connector, each with its torque"
    )


def _both(connectors: tuple[str, ...]) -> str:
    return " and ".join(dict.fromkeys(connectors))


def rating_doubts(station: Station, item: Item) -> Iterator[str]:
    """On parts that are not made for the bands that it has to serve: those with a limit, or all
    where none has one."""
    bands = [band for band in item.limits_db if band in station.bands] or list(station.bands)
    beyond: dict[str, list[str]] = {}
    for band in bands:
        highest_hz = np.array([station.bands[band].stop_hz])
        expected = item.expected(highest_hz, station.temperature_c, station.known_parts())
        for text in () if expected is None else expected.beyond_rating:
            beyond.setdefault(text.rstrip("."), []).append(band)
    for text, where in beyond.items():
        yield f"{text}, and {', '.join(where)} goes higher: what it loses there is a guess"
