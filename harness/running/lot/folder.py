"""What a lot's folder holds already: which items are done, with which verdict, and which broke off.

A lot is a folder of run files and nothing else. The newest finished run of an item counts.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from drivers.errors import InputError
from drivers.quantities import counted
from harness.analysis.uncertainty.conformity import Verdict
from harness.evaluation.standing import Standing, standing_of_verdict, worst_standing
from harness.run_file import Group, open_run
from harness.run_file.result_record import read_doubts
from harness.run_file.run import WANTED_AGAIN

Key = tuple[str, ...]
"""What a run is of: the serial number, and in a study the operator and the repeat."""


@dataclass(frozen=True)
class Outline:
    """A run in a few words."""

    path: Path
    key: Key
    started: str
    finished: str
    standing: Standing
    parameters: dict[str, Any]

    @property
    def serial(self) -> str:
        """Of the item."""
        return self.key[0]


def again(outline: Outline) -> Outline:
    """The same run, now to be measured again."""
    return replace(outline, standing=Standing.AGAIN)


@dataclass
class LotSoFar:
    """The runs of one procedure in a folder; `add` keeps it up to date."""

    done: dict[Key, Outline]
    """The newest finished run of each."""
    broken_off: dict[Key, Outline]
    """The newest unfinished run of each that has no later finished one."""
    unreadable: list[str]

    def add(self, outline: Outline) -> None:
        """One more run, newer than all others of its key."""
        if outline.finished:
            self.done[outline.key] = outline
            self.broken_off.pop(outline.key, None)
        else:
            self.broken_off[outline.key] = outline

    def count(self, standing: Standing) -> int:
        """How many items stand like that."""
        return sum(outline.standing is standing for outline in self.done.values())

    def wanted_again(self) -> list[Outline]:
        """Items whose newest run lies beside a check of the zero that it did not hold."""
        return [one for one in self.done.values() if one.standing is Standing.AGAIN]

    @property
    def worst(self) -> Standing:
        """Of the items that have a verdict; no limit where there is none."""
        return worst_standing(outline.standing for outline in self.done.values())

    def newest(self) -> Outline | None:
        """The run that was begun last; None in an empty lot."""
        runs = [*self.done.values(), *self.broken_off.values()]
        return max(runs, key=lambda outline: outline.started, default=None)

    def summary(self) -> str:
        """`12 items done: 10 pass, 2 fail`."""
        if not self.done:
            return "no item done"
        counts = [
            f"{self.count(standing)} {standing.word}"
            for standing in Standing
            if self.count(standing)
        ]
        return f"{counted(len(self.done), 'item')} done: {', '.join(counts)}"


def lot_so_far(
    folder: Path,
    procedure: str,
    parameter_keys: Sequence[str] = (),
    tell: Callable[[int], None] = lambda count: None,
) -> LotSoFar:
    """Read what a folder holds of a procedure; `tell` gets the number of files seen so far.

    `parameter_keys` are those parameters of a run that tell it from others of the same item.
    """
    lot = LotSoFar({}, {}, [])
    outlines = []
    for number, path in enumerate(sorted(folder.glob("*.h5"))):
        tell(number)
        try:
            outline = read_outline(path, procedure, parameter_keys)
        except InputError as error:
            lot.unreadable.append(f"{path.name}: {error.what}")
            continue
        if outline is not None:
            outlines.append(outline)
    for outline in sorted(outlines, key=lambda one: one.started):
        lot.add(outline)
    return lot


def read_outline(path: Path, procedure: str, parameter_keys: Sequence[str] = ()) -> Outline | None:
    """A run in a few words; None where it is of another procedure.

    Raises:
        InputError: it is not a readable run file.
    """
    with open_run(path) as file:
        attributes = file.attrs
        if attributes["procedure"] != procedure:
            return None
        item = json.loads(attributes["item"])
        parameters = json.loads(attributes["parameters"])
        finished = attributes["finished"]
        return Outline(
            path=path,
            key=(item["id"], *(str(parameters.get(name, "")) for name in parameter_keys)),
            started=attributes["started"],
            finished=finished,
            standing=_standing(file) if finished else Standing.UNFINISHED,
            parameters=parameters,
        )


def _standing(file: Group) -> Standing:
    """The worst standing over the bands that have a limit, from their verdicts alone; or why that
    does not count."""
    if WANTED_AGAIN.encode() in file["events"]["kind"].tolist():
        return Standing.AGAIN
    return worst_standing(
        Standing.NO_VERDICT
        if read_doubts(band)
        else standing_of_verdict(
            Verdict(verdict) if (verdict := band.attrs["verdict"]) else None,
            is_limited=not math.isnan(band["limit_db"][0]),
        )
        for band in file["analysis"].values()
    )
