"""Whether run files are what they were when they were written, and say what follows from them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

from harness.evaluation.read_back import read_run
from harness.evaluation.run_analysis import analysis_of
from harness.run_file import (
    DamagedError,
    DamagedRunError,
    Group,
    analysis_differences,
    check_sweeps,
    has_digests,
    open_run,
    read_events,
    read_header,
    read_temperature,
    require_intact,
)
from harness.run_file.software import software_versions

State = Literal["good", "unfinished", "wrong"]
FINDING = "finding"
"""Attribute of the analysis that rests on what is known of the item's parts, one by one."""
OTHER_EDITION = (
    "what is expected of the item was worked out with another edition of the catalogue, which is "
    "not in the file; that and the diagnosis were taken as stated, all else was worked out anew"
)
MOST_TOLD = 5
"""Differences of one file that are named one by one."""


@dataclass(frozen=True)
class Verification:
    """What was found of one run file."""

    path: Path
    state: State
    run_id: str = ""
    through_sweeps: int = 0
    item_sweeps: int = 0
    events: int = 0
    has_digests: bool = False
    problems: tuple[str, ...] = ()
    """What is wrong, one sentence each; none of a good file."""
    notes: tuple[str, ...] = ()
    """What does not make it wrong."""


def verify(path: Path) -> Verification:
    """Structure, schema, digests, times, and the analysis made anew from the readings.

    Raises:
        InputError: there is no such file, or it is not a run file of this version.
    """
    try:
        with open_run(path) as file:
            found = _of_file(path, file)
        if found.state != "good":
            return found
        read_run(path)
        return _with_analysis(found)
    except DamagedRunError as error:
        return Verification(path, "wrong", problems=(error.what,))


def _of_file(path: Path, file: Group) -> Verification:
    """All but the analysis."""
    problems: list[str] = []
    notes: list[str] = []
    header = read_header(file)
    counts = {"normalization": 0, "insertions": 0}
    for check in (_header, read_temperature):
        problems += _told(check, file)
    for band, group in file["bands"].items():
        for kind in counts:
            try:
                whole, begun = check_sweeps(group[kind])
            except DamagedError as error:
                problems.append(str(error))
                continue
            counts[kind] += whole
            if begun > whole:
                notes.append(f"band {band}: the last sweep was not written whole; it is left out")
    if not has_digests(file):
        notes.append("no hashes: written by an earlier version")
    state: State = "good" if header.finished else "unfinished"
    return Verification(
        path=path,
        state="wrong" if problems else state,
        run_id=header.run_id,
        through_sweeps=counts["normalization"],
        item_sweeps=counts["insertions"],
        events=len(read_events(file)),
        has_digests=has_digests(file),
        problems=tuple(problems),
        notes=tuple(notes),
    )


def _told(check: Any, file: Group) -> Iterator[str]:
    try:
        check(file)
    except DamagedError as error:
        yield str(error)


def _header(file: Group) -> None:
    require_intact(file)
    header = read_header(file)
    missing = set(header.station["bands"]) ^ set(file["bands"])
    if missing:
        raise DamagedError(f"its bands are not those of its station: {', '.join(sorted(missing))}")


def _with_analysis(found: Verification) -> Verification:
    with open_run(found.path) as file:
        header = read_header(file)
        differences = analysis_differences(file, analysis_of(found.path))
        if not header.catalogue and set(differences) - {f"{FINDING} reads otherwise"}:
            # written before runs kept their catalogue
            as_stated = analysis_of(found.path, expected_as_stated=True)
            stated = {FINDING}.intersection(file["analysis"].attrs)
            if not analysis_differences(file, as_stated, beside=stated):
                return replace(found, notes=(*found.notes, OTHER_EDITION))
    if not differences:
        return found
    told = differences[:MOST_TOLD]
    if len(differences) > MOST_TOLD:
        told.append(f"{len(differences) - MOST_TOLD} more of that kind")
    problems = [f"the analysis is not what follows from the readings: {text}" for text in told]
    notes = list(found.notes)
    if header.software != software_versions():
        notes.append(
            f"it was analysed by other software ({header.software}), which may be why; the "
            "readings are sound"
        )
    return replace(found, state="wrong", problems=tuple(problems), notes=tuple(notes))


def as_json(found: Sequence[Verification]) -> dict[str, Any]:
    """The document that `tareline verify --json` prints."""
    return {
        "schema": "tareline-verification/1",
        "files": [{**asdict(one), "path": str(one.path)} for one in found],
    }
