"""A run file read back: everything that it states.

Apart from the analysis, so that nothing of it is loaded where figures are only shown.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path

from drivers.errors import InputError
from harness.analysis.diagnosis.finding import Finding
from harness.run_file import (
    RunHeader,
    RunJournal,
    open_run,
    read_events,
    read_header,
    require_intact,
)
from harness.run_file.result_record import read_band
from harness.run_file.run import BandResult, Event, Run


def read_run(path: Path) -> Run:
    """Everything a run file states; its bands are empty while it is not finished.

    Raises:
        InputError: it is not a readable run file.
    """
    with open_run(path) as file:
        require_intact(file)
        header = read_header(file)
        bands = {}
        finding = None
        if "analysis" in file:
            # runs of earlier versions have none
            finding = from_text(file["analysis"].attrs.get("finding", ""))
            bands = {band: read_band(group, file[f"bands/{band}/frequency_hz"][()])
                     for band, group in file["analysis"].items()}  # fmt: skip
        order = list(header.station["bands"])
        if header.finished and set(order) != set(bands):
            raise InputError(
                f"{str(path)!r} is damaged: it is finished, but not every band has a result",
                hint="take the copy in your backup",
            )
        events = read_events(file)
        return _run(path, header, events, {band: bands[band] for band in order if band in bands},
                    finding)  # fmt: skip


def run_to_be(journal: RunJournal, results: Mapping[str, BandResult], finished: str) -> Run:
    """What `read_run` will say of a run that is still being written, once it is finished at a
    time (ISO 8601) with the results of `assess`; without what the shape of its loss says."""
    with journal.open_for_reading() as file:
        header, events = read_header(file), read_events(file)
    bands = {band: results[band] for band in header.station["bands"]}
    return _run(journal.path, replace(header, finished=finished), events, bands, None)


def _run(
    path: Path,
    header: RunHeader,
    events: tuple[Event, ...],
    bands: dict[str, BandResult],
    finding: Finding | None,
) -> Run:
    return Run(
        path=path,
        run_id=header.run_id,
        procedure=header.procedure,
        parameters=header.parameters,
        started=header.started,
        finished=header.finished,
        software=header.software,
        station=header.station,
        item=header.item,
        instruments=header.instruments,
        simulated=header.simulated,
        events=events,
        bands=bands,
        finding=finding,
        catalogue=header.catalogue,
    )


def as_text(finding: Finding | None) -> str:
    """For the run file; empty where there is none."""
    return "" if finding is None else json.dumps(asdict(finding), ensure_ascii=False)


def from_text(text: str) -> Finding | None:
    """As `as_text` wrote it.

    Raises:
        TypeError, ValueError: the text is damaged.
    """
    return Finding(**json.loads(text)) if text else None
