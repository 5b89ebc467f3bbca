"""The procedure `adapter-pairs` combined: the loss of each adapter from runs on pairs of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from drivers.errors import InputError
from harness.analysis.several_runs.linear_model import RunErrors
from harness.analysis.several_runs.pair_equations import (
    AdapterLosses,
    Pair,
    UndecidedPairsError,
    adapter_losses,
    adapters_of,
    interaction_db,
    require_decided,
)
from harness.several_runs.combined import CombinedBand, CombinedRuns, combine_runs
from harness.station.items import Item

SCHEMA = "tareline-adapters/1"
USUAL_MATING_DB = 0.01
"""Loss of one mating at 1 GHz, in limits from nothing to twice that (common practice, no
source); rises with the square root of frequency."""


@dataclass(frozen=True)
class MeasuredAdapters:
    """Adapters as pairs of them tell."""

    combined: CombinedRuns
    pairs: tuple[Pair, ...]
    losses: Mapping[str, AdapterLosses]
    """By band."""
    mating_db: float
    """Loss of one mating at 1 GHz, with limits of the same size."""
    notes: tuple[str, ...]

    @property
    def adapters(self) -> tuple[str, ...]:
        """All of them, in the order of first mention."""
        return adapters_of(self.pairs)

    def as_through(self, adapter: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Frequency in Hz, loss and standard uncertainty in dB of an adapter that closes the
        through: its body with both matings. Arrays over all bands, frequency rising.

        Raises:
            InputError: there is no such adapter.
        """
        if adapter not in self.adapters:
            raise InputError(
                f"no pair holds an adapter {adapter!r}", hint=f"known: {', '.join(self.adapters)}"
            )
        bands = self.losses.values()
        frequency_hz = np.concatenate([band.frequency_hz for band in bands])
        alone_db = np.concatenate([band.loss_db(adapter) for band in bands])
        u_db = np.concatenate([band.standard_uncertainty_db(adapter) for band in bands])
        mating_db = self.mating_db * np.sqrt(frequency_hz / 1e9)
        _, order = np.unique(frequency_hz, return_index=True)
        loss_db = alone_db + mating_db
        u_db = np.hypot(u_db, mating_db / np.sqrt(3.0))
        return frequency_hz[order], loss_db[order], u_db[order]


def require_pairs(items: Mapping[str, Item]) -> tuple[Pair, ...]:
    """Make sure that these items decide the loss of each adapter; returns their pairs.

    Raises:
        InputError: an item does not name its adapters, or a pair is missing; says which.
    """
    for name, item in items.items():
        if not item.adapters:
            raise InputError(
                f"item {name} does not say which adapters it is",
                hint='give it adapters = ["FIRST", "SECOND"], or choose others with --item',
            )
    pairs = tuple(item.adapters for item in items.values())
    try:
        require_decided(pairs)
    except UndecidedPairsError as error:
        raise InputError(
            str(error), hint="three adapters in all three pairs always decide; so does one alone"
        ) from error
    return pairs


def combine_adapters(paths: Sequence[Path], mating_db: float = USUAL_MATING_DB) -> MeasuredAdapters:
    """The loss of each adapter from finished runs, one or more for each pair.

    `mating_db` is the loss of one mating at 1 GHz: where an adapter closed the through, a pair
    was measured with one mating more than its adapters bring.

    Raises:
        InputError: the runs do not belong together, or do not decide every adapter.
    """
    combined = combine_runs(paths)
    pairs = require_pairs(
        {run.run_id: item for run, item in zip(combined.runs, combined.items, strict=True)}
    )
    notes = list(combined.notes)
    has_through = combined.runs[0].station.get("through") is not None
    if has_through:
        notes.append(
            f"An adapter closed the through, so a mating of {mating_db:g} dB at 1 GHz (± as much) "
            "was taken off each pair."
        )
    if len(pairs) == len(adapters_of(pairs)):
        notes.append("No more pairs than adapters: whether they agree cannot be seen.")
    losses = {
        band.name: _losses(band, pairs, mating_db if has_through else 0.0)
        for band in combined.bands
    }
    return MeasuredAdapters(combined, pairs, losses, mating_db, tuple(notes))


def _losses(band: CombinedBand, pairs: Sequence[Pair], mating_db: float) -> AdapterLosses:
    errors, loss_db = band.errors, band.insertion_loss_db
    mated = np.array([[float(len(pair) > 1)] for pair in pairs])
    # the two stay mated while the pair is inserted again and again: that joint was made once
    errors = errors.with_independent(mated * band.one_connection_db)
    if band.reflection is not None:
        errors = errors.with_independent(mated * interaction_db(band.reflection))
    if mating_db:
        extra_db = np.broadcast_to(mating_db * np.sqrt(band.frequency_hz / 1e9), loss_db.shape)
        loss_db = loss_db - extra_db
        errors = RunErrors(
            errors.scatter_db,
            errors.scatter_dof,
            errors.independent_db,
            (*errors.common_db, extra_db / np.sqrt(3.0)),
        )
    return adapter_losses(pairs, band.frequency_hz, loss_db, errors)


def adapters_json(found: MeasuredAdapters) -> dict[str, Any]:
    """What `tareline adapter-losses --json` prints; arrays are per frequency."""
    return {
        "schema": SCHEMA,
        "simulated": found.combined.is_simulated,
        "runs": [run.run_id for run in found.combined.runs],
        "pairs": [list(pair) for pair in found.pairs],
        "meaning": "an adapter's loss is that of its body and one mating",
        "bands": [
            {
                "name": name,
                "frequency_hz": losses.frequency_hz.tolist(),
                "adapters": {
                    adapter: {
                        "loss_db": losses.loss_db(adapter).tolist(),
                        "standard_uncertainty_db": losses.standard_uncertainty_db(adapter).tolist(),
                        "expanded_uncertainty_db": losses.expanded_uncertainty_db(adapter).tolist(),
                    }
                    for adapter in losses.adapters
                },
                "covariance": losses.estimate.covariance.tolist(),
                "chi_square": losses.estimate.chi_square.tolist() if losses.estimate.dof else None,
                "dof": losses.estimate.dof,
            }
            for name, losses in found.losses.items()
        ],
        "notes": list(found.notes),
    }
