"""What stands where in a run file.

Schema `tareline-run/1`
    attributes   schema run_id procedure parameters started finished software station item
                 instruments simulated simulated_bench rules catalogue header_sha256 (parameters,
                 station, item, instruments, catalogue: JSON text)
    /events      (E,) of time (Unix s), kind, text
    /temperature/time temperature_c sha256          (M,) (M,) (M, 32)
    /bands/<band>/frequency_hz                      (P,)
    /bands/<band>/normalization/readings time making sha256     (K, S, P) (K,) (K,) (K, 32)
                                suspect                         (up to K,)
    /bands/<band>/insertions/readings time insertion sha256     (N, S, P) (N,) (N,) (N, 32)
                             suspect                            (up to N,)
    /history/<band>/...     where there are earlier runs; see `harness.run_file.history`
    /analysis/<band>/...    once finished; see `harness.run_file.result_record`
Units stand in the attribute `unit` of each dataset, the names of the S traces in the attribute
`traces` of the readings. `sha256` holds a digest of each sweep (see `harness.run_file.digests`): a
last row that lacks something, or whose digest does not agree, was not finished. `suspect` is 1 in
rows that are kept but not evaluated, because their readings cannot be true (an event says why);
rows beyond its end are sound. Files of earlier versions may lack `suspect`, `sha256` and
/temperature; in theirs `time` was written last.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias

import h5py
import numpy as np
from numpy.typing import NDArray

from harness.analysis.loss.band import FIRST_RULES, RULES

SCHEMA = "tareline-run/1"
SMALL_CHUNK = 64
DIGEST_BYTES = 32
EVENT = np.dtype([("time", "<f8"), ("kind", "S16"), ("text", "S480")])

_TEXT_ATTRIBUTES = (
    "run_id", "procedure", "started", "finished", "software", "simulated", "simulated_bench",
)  # fmt: skip

Group: TypeAlias = h5py.Group

Kind = Literal["normalization", "insertions"]
INDEX: dict[Kind, str] = {"normalization": "making", "insertions": "insertion"}
"""What the sweeps of each kind are counted by."""


@dataclass(frozen=True)
class RunHeader:
    """What a run file says before its readings."""

    run_id: str
    procedure: str
    parameters: dict[str, Any]
    started: str
    software: str
    station: dict[str, Any]
    item: dict[str, Any]
    instruments: tuple[dict[str, str], ...]
    simulated: bool
    simulated_bench: str = ""
    """Description (TOML) of the simulated bench, with its seed, where Tareline started it."""
    finished: str = ""
    rules: int = RULES
    """By which its figures follow from its readings; see `harness.analysis.loss.band`."""
    catalogue: dict[str, Any] = field(default_factory=dict)
    """Entries of the catalogue of then that the item is made of, in the form of a catalogue file;
    empty where it needs none, and in files of earlier versions."""


def write_header(file: Group, header: RunHeader) -> None:
    """Put a header into a new file."""
    file.attrs["schema"] = SCHEMA
    for name in _TEXT_ATTRIBUTES:
        file.attrs[name] = getattr(header, name)
    file.attrs["rules"] = header.rules
    for name in ("parameters", "station", "item", "instruments"):
        file.attrs[name] = json.dumps(getattr(header, name), ensure_ascii=False)
    if header.catalogue:
        file.attrs["catalogue"] = json.dumps(header.catalogue, ensure_ascii=False)


def read_header(file: Group) -> RunHeader:
    """What an open run file says of itself."""
    attributes = file.attrs
    return RunHeader(
        run_id=attributes["run_id"],
        procedure=attributes["procedure"],
        parameters=json.loads(attributes["parameters"]),
        started=attributes["started"],
        software=attributes["software"],
        station=json.loads(attributes["station"]),
        item=json.loads(attributes["item"]),
        instruments=tuple(json.loads(attributes["instruments"])),
        simulated=bool(attributes["simulated"]),
        simulated_bench=attributes["simulated_bench"],
        finished=attributes["finished"],
        rules=int(attributes.get("rules", FIRST_RULES)),
        catalogue=json.loads(attributes.get("catalogue", "{}")),
    )


def create_places(
    file: Group, frequency_hz: Mapping[str, NDArray[np.float64]], traces: Sequence[str]
) -> None:
    """Make everything that grows, empty: nothing can be made once the writing has begun."""
    # an event is a chunk of its own, so that none is ever written twice
    file.create_dataset("events", (0,), EVENT, maxshape=(None,), chunks=(1,), fletcher32=True)
    temperature = file.create_group("temperature")
    _create_digests(temperature)
    _create_column(temperature, "temperature_c", "<f8", "°C")
    _create_column(temperature, "time", "<f8", "s")
    for band, grid in frequency_hz.items():
        _create_band(file.create_group(f"bands/{band}"), grid, traces)


def _create_band(group: Group, frequency_hz: NDArray[np.float64], traces: Sequence[str]) -> None:
    group.create_dataset("frequency_hz", data=frequency_hz).attrs["unit"] = "Hz"
    width = (len(traces), len(frequency_hz))
    for kind, index in INDEX.items():
        part = group.create_group(kind)
        readings = part.create_dataset(
            "readings", (0, *width), "<c16", maxshape=(None, *width), chunks=(1, *width)
        )
        readings.attrs["unit"] = "1"
        readings.attrs["traces"] = json.dumps(list(traces))
        _create_column(part, index, "<i8", "1")
        # nor is a mark; where there is none there is nothing on the disk
        part.create_dataset(
            "suspect", (0,), "|i1", maxshape=(None,), chunks=(1,), fletcher32=True
        ).attrs["unit"] = "1"
        _create_column(part, "time", "<f8", "s")
        _create_digests(part)


def _create_digests(group: Group) -> None:
    group.create_dataset(
        "sha256", (0, DIGEST_BYTES), "|u1", maxshape=(None, DIGEST_BYTES),
        chunks=(SMALL_CHUNK, DIGEST_BYTES),
    )  # fmt: skip


def _create_column(group: Group, name: str, dtype: str, unit: str) -> None:
    # what is not written of a number is nan, so that half a row shows
    fill = np.nan if dtype == "<f8" else 0
    column = group.create_dataset(
        name, (0,), dtype, maxshape=(None,), chunks=(SMALL_CHUNK,), fillvalue=fill
    )
    column.attrs["unit"] = unit
