"""The runs of a gauge study: read from a folder, checked for gaps, set out as a table.

Any finished run counts whose parameters have `operator` (text) and `repeat` (a whole number).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drivers.errors import InputError
from harness.analysis.arrays import FloatArray
from harness.evaluation.read_back import read_run
from harness.run_file.run import Run

MOST_NAMED = 8
"""Missing runs that are named one by one."""


@dataclass(frozen=True)
class StudiedBand:
    """One band of a study of p items, o operators and r repeats; P frequencies."""

    name: str
    frequency_hz: FloatArray
    """(P,)"""
    loss_db: FloatArray
    """(p, o, r, P)"""
    limit_db: FloatArray | None
    """(p, P) nan for an item without a limit; None where no item has one."""

    @property
    def mean_loss_db(self) -> FloatArray:
        """(p, P) of each item over operators and repeats."""
        return np.asarray(self.loss_db.mean(axis=(1, 2)))

    @property
    def deciding_index(self) -> int:
        """The one frequency that the study goes by: where the limit's margin is least over all
        items, by the mean of each; without a limit, where an item loses most."""
        if self.limit_db is None:
            worst = np.max(self.mean_loss_db, axis=0)
        else:
            worst = -np.nanmin(self.limit_db - self.mean_loss_db, axis=0)
        return int(np.argmax(worst))

    @property
    def deciding_limit_db(self) -> float | None:
        """The lowest limit of any item at that frequency."""
        if self.limit_db is None:
            return None
        return float(np.nanmin(self.limit_db[:, self.deciding_index]))

    @property
    def has_several_limits(self) -> bool:
        """Whether items differ in their limits at that frequency."""
        if self.limit_db is None:
            return False
        there = self.limit_db[:, self.deciding_index]
        return bool(np.any(np.isnan(there)) or np.ptp(there) > 1e-9)


@dataclass(frozen=True)
class StudiedRuns:
    """A complete study."""

    folder: Path
    items: tuple[str, ...]
    operators: tuple[str, ...]
    repeats: tuple[int, ...]
    bands: tuple[StudiedBand, ...]
    simulated: bool
    notes: tuple[str, ...]
    """What was left out, and why."""


def read_study(folder: Path) -> StudiedRuns:
    """Read the run files of a study.

    A later run of the same item, operator and repeat takes the place of an earlier one.

    Raises:
        InputError: there are no such runs, some are missing, or they do not belong together.
    """
    if not folder.is_dir():
        raise InputError(
            f"{str(folder)!r} is not a folder", hint="name the folder that holds the run files"
        )
    paths = sorted(folder.glob("*.h5"))
    notes: list[str] = []
    unfinished: list[str] = []
    again: list[str] = []
    found: dict[tuple[str, str, int], Run] = {}
    others = repeated = 0
    for path in paths:
        run = read_run(path)
        place = _place(run)
        if place is None:
            others += 1
        elif not run.finished:
            unfinished.append(f"{path.name} ({_named(place)})")
        elif run.wanted_again:
            again.append(f"{path.name} ({_named(place)})")
        else:
            earlier = found.get(place)
            repeated += earlier is not None
            if earlier is None or (run.started, run.run_id) > (earlier.started, earlier.run_id):
                found[place] = run
    if not found:
        raise InputError(
            f"no finished run of a gauge study is in {str(folder)!r} ({len(paths)} run files)",
            hint="its runs have the parameters operator and repeat: "
            "`tareline run gauge-study` makes them",
        )
    if others:
        notes.append(f"{others} {_runs(others)} without operator and repeat left out.")
    if repeated:
        notes.append(f"{repeated} earlier {_runs(repeated)} superseded by a later one.")
    if unfinished:
        notes.append(f"Not finished, left out: {'; '.join(unfinished[:MOST_NAMED])}.")
    if again:
        notes.append(f"To be measured again, left out: {'; '.join(again[:MOST_NAMED])}.")
    items = tuple(sorted({item for item, _, _ in found}, key=_natural))
    operators = tuple(sorted({operator for _, operator, _ in found}, key=_natural))
    repeats = tuple(sorted({repeat for _, _, repeat in found}))
    _require_design(found, items, operators, repeats, unfinished)
    ordered = [found[i, o, r] for i in items for o in operators for r in repeats]
    _require_alike(ordered)
    shape = (len(items), len(operators), len(repeats))
    return StudiedRuns(
        folder=folder,
        items=items,
        operators=operators,
        repeats=repeats,
        bands=tuple(_band(name, ordered, shape) for name in ordered[0].bands),
        simulated=any(run.simulated for run in ordered),
        notes=tuple(notes),
    )


def _place(run: Run) -> tuple[str, str, int] | None:
    operator, repeat = run.parameters.get("operator"), run.parameters.get("repeat")
    if not (isinstance(operator, str) and operator.strip()):
        return None
    if isinstance(repeat, bool) or not isinstance(repeat, int):
        return None
    return str(run.item.get("id", "")), operator.strip(), repeat


def _require_design(
    found: dict[tuple[str, str, int], Run],
    items: Sequence[str],
    operators: Sequence[str],
    repeats: Sequence[int],
    unfinished: Sequence[str],
) -> None:
    missing = [
        (i, o, r) for i in items for o in operators for r in repeats if (i, o, r) not in found
    ]
    if missing:
        named = "; ".join(_named(place) for place in missing[:MOST_NAMED])
        more = f"; and {len(missing) - MOST_NAMED} more" if len(missing) > MOST_NAMED else ""
        broken = f"; not finished: {'; '.join(unfinished[:MOST_NAMED])}" if unfinished else ""
        raise InputError(
            f"the study has gaps: {len(missing)} of {len(items) * len(operators) * len(repeats)} "
            f"runs are missing: {named}{more}{broken}",
            hint="measure these, or take the runs of that item, operator or repeat out of the "
            "folder",
        )
    for count, what in ((items, "items"), (operators, "operators"), (repeats, "repeats")):
        if len(count) < 2:
            raise InputError(
                f"a gauge study needs at least 2 {what}, and this one has {len(count)}: {count[0]}",
                hint="10 items, 3 operators and 3 repeats are usual (common practice)",
            )


def _require_alike(runs: Sequence[Run]) -> None:
    first = runs[0]
    for run in runs[1:]:
        if list(run.bands) != list(first.bands) or any(
            not np.array_equal(band.frequency_hz, first.bands[name].frequency_hz)
            for name, band in run.bands.items()
        ):
            raise InputError(
                f"{run.path.name} was not measured at the same frequencies as {first.path.name}",
                hint="a study needs the same bands and points in all of its runs",
            )
        if run.simulated is not first.simulated:
            raise InputError(
                f"{run.path.name} and {first.path.name}: one is simulated and the other is not",
                hint="keep them in folders of their own",
            )
        if run.station.get("name") != first.station.get("name"):
            raise InputError(
                f"{run.path.name} was measured on {run.station.get('name')!r}, {first.path.name} "
                f"on {first.station.get('name')!r}",
                hint="a study is of one bench: keep the runs of each in a folder of its own",
            )


def _band(name: str, runs: Sequence[Run], shape: tuple[int, int, int]) -> StudiedBand:
    bands = [run.bands[name] for run in runs]
    loss = np.stack([band.insertion_loss_db for band in bands])
    if not np.all(np.isfinite(loss)):
        bad = next(
            run for run in runs if not np.all(np.isfinite(run.bands[name].insertion_loss_db))
        )
        raise InputError(
            f"{bad.path.name} has no loss at some frequencies of {name}",
            hint="measure it again; a later run takes its place",
        )
    none = np.full(loss.shape[1], np.nan)
    limits = np.stack([none if band.limit_db is None else band.limit_db for band in bands])
    # an item's limit is the same in all of its runs, or the last one holds
    by_item = limits.reshape(*shape, -1)[:, -1, -1]
    return StudiedBand(
        name=name,
        frequency_hz=bands[0].frequency_hz,
        loss_db=loss.reshape(*shape, -1),
        limit_db=by_item if np.any(np.isfinite(by_item)) else None,
    )


def _named(place: tuple[str, str, int]) -> str:
    item, operator, repeat = place
    return f"item {item}, operator {operator}, repeat {repeat}"


def _natural(text: str) -> list[tuple[int, int, str]]:
    """Sort key that puts PIG-9 before PIG-10."""
    parts = re.split(r"(\d+)", text)
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts if part]


def _runs(count: int) -> str:
    return "run" if count == 1 else "runs"
