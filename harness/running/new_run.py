"""What a new run file says before its readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain, count
from pathlib import Path
from typing import Any

from harness.analysis.expected.part_list import parse_part
from harness.bench.clock import as_iso
from harness.run_file import RunHeader
from harness.run_file.software import software_versions
from harness.station.items import length_in_m
from harness.station.station import Station


@dataclass(frozen=True)
class Origin:
    """Where the readings of a run come from."""

    station: Station
    instruments: tuple[dict[str, str], ...]
    """Role, resource and identity of each."""
    is_simulated: bool
    simulated_bench: str = ""
    """Description of the simulated bench, where Tareline started it."""


def run_id(started: float, procedure: str, item: str) -> str:
    """Name of a run that was begun at a time (Unix s)."""
    stamp = datetime.fromtimestamp(started, tz=UTC).strftime("%Y%m%dT%H%M%SZ")
    return f"{stamp}-{procedure}-{item}"


def free_id(folder: Path, wanted: str) -> str:
    """The name, or with a number where the same item was begun anew within the same second."""
    names = chain([wanted], (f"{wanted}-{place}" for place in count(2)))
    return next(name for name in names if not (folder / f"{name}.h5").exists())


def header_of(
    name: str,
    started: float,
    origin: Origin,
    item: dict[str, Any],
    procedure: tuple[str, Mapping[str, Any]],
) -> RunHeader:
    """The header of the run `name`, begun at a time (Unix s), of an item as `item_as_dict`;
    `procedure` is its name with its parameters."""
    used = origin.station.shipped_parts(
        parse_part(text, length_in_m).name for text in item.get("made_of", ())
    )
    return RunHeader(
        run_id=name,
        procedure=procedure[0],
        parameters=dict(procedure[1]),
        started=as_iso(started),
        software=software_versions(),
        station=origin.station.as_dict(),
        item=item,
        instruments=origin.instruments,
        simulated=origin.is_simulated,
        simulated_bench=origin.simulated_bench,
        catalogue=used.model_dump(mode="json", exclude_none=True) if used.names else {},
    )
