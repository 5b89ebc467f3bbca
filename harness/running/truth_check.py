"""For runs made on the simulated bench: did the truth lie inside the stated uncertainty?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drivers.errors import InputError
from drivers.simulated.described.bench_description import parse_description
from drivers.simulated.physics.truth import insertion_loss_db
from harness.evaluation.read_back import read_run
from harness.run_file import open_run, read_header


@dataclass(frozen=True)
class TruthRow:
    """One band of one run."""

    run: str
    """Its id."""
    item: str
    band: str
    points: int
    inside: int
    largest_error_db: float
    """Of the points, the stated loss minus the true one furthest from zero."""
    expanded_uncertainty_db: float
    """Mean over the band."""


def compare_with_truth(paths: Sequence[Path]) -> list[TruthRow]:
    """Compare finished simulated runs with the bench description that each carries.

    Raises:
        InputError: a run is not finished, or was not made on a bench started by Tareline.
    """
    rows = []
    for path in paths:
        run = read_run(path)
        with open_run(path) as file:
            described = read_header(file).simulated_bench
        if not described:
            raise InputError(
                f"{str(path)!r} does not know its truth: it was not made on a simulated bench that "
                "Tareline started"
            )
        if not run.bands:
            raise InputError(f"{str(path)!r} is not finished: it states nothing to compare")
        description = parse_description(described, f"bench description in {path}")
        for band, result in run.bands.items():
            truth_db = insertion_loss_db(description, run.item["id"], result.frequency_hz)
            error_db = result.insertion_loss_db - truth_db
            rows.append(
                TruthRow(
                    run.run_id,
                    run.item["id"],
                    band,
                    len(error_db),
                    int(np.sum(np.abs(error_db) <= result.expanded_uncertainty_db)),
                    float(error_db[np.argmax(np.abs(error_db))]),
                    float(np.mean(result.expanded_uncertainty_db)),
                )
            )
    return rows
