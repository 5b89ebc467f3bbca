"""What may stand where in a run file: kind, type and shape of everything that is read.

One table for all reading (`admission` keeps it). What stands under other names was added by a later
version, is read by nobody here, and must only be of a kind that Tareline writes.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np

DIGEST_BYTES = 32
EVENT = np.dtype([("time", "<f8"), ("kind", "S16"), ("text", "S480")])
_NUMBERS, _COUNTS, _BYTES = np.dtype("<f8"), np.dtype("<i8"), np.dtype("|u1")


class Place(NamedTuple):
    """Of a dataset."""

    dtype: np.dtype[np.generic]
    shape: tuple[str | int, ...]
    """A letter is one and the same number within a band, S and T within the file; one of `GROWING`
    only once the run is finished, and with a question mark it may be less."""


GROWING = {"K", "N", "T"}
"""Of which one more may be begun in one dataset than in another while a run is written."""
IN_FILE, OF_EACH = {"E", "S", "T"}, "of each"
"""What is one number in the whole file, and what each dataset has its own of."""


def _sweeps(place: str, rows: str, index: str) -> dict[str, Place]:
    return {
        f"{place}/readings": Place(np.dtype("<c16"), (rows, "S", "P")),
        f"{place}/time": Place(_NUMBERS, (rows,)),
        f"{place}/{index}": Place(_COUNTS, (rows,)),
        f"{place}/sha256": Place(_BYTES, (rows, DIGEST_BYTES)),
        f"{place}/suspect": Place(np.dtype("|i1"), (f"{rows}?",)),
    }


def _all_of(place: str, dtype: np.dtype[np.generic], shape: str, names: str) -> dict[str, Place]:
    return {f"{place}{name}": Place(dtype, tuple(shape)) for name in names.split()}


DATASETS: dict[str, Place] = {
    "events": Place(EVENT, ("E",)),
    "temperature/time": Place(_NUMBERS, ("T",)),
    "temperature/temperature_c": Place(_NUMBERS, ("T",)),
    "temperature/sha256": Place(_BYTES, ("T", DIGEST_BYTES)),
    "bands/*/frequency_hz": Place(_NUMBERS, ("P",)),
    **_sweeps("bands/*/normalization", "K", "making"),
    **_sweeps("bands/*/insertions", "N", "insertion"),
    "history/*/variance_db2": Place(_NUMBERS, ("P",)),
    **_all_of(
        "analysis/*/", _NUMBERS, "P",
        "insertion_loss_db standard_uncertainty_db effective_dof coverage_factor published_dof "
        "expanded_uncertainty_db interval_low_db interval_high_db expected_db limit_db "
        "expected_expanded_uncertainty_db gum_difference_db budget/* budget_dof/*",
    ),
    **_all_of("analysis/*/", _NUMBERS, "IP", "insertion_means_db"),
    **_all_of("analysis/*/", _NUMBERS, "I", "insertion_time"),
    **_all_of("analysis/*/", _NUMBERS, "MP", "zero_change_db"),
    **_all_of("analysis/*/", _NUMBERS, "M", "zero_time"),
    "analysis/*/budget_parts/*": Place(_NUMBERS, (OF_EACH, "P")),
    **_all_of(
        "analysis/*/stability/", _NUMBERS, "n", "time loss_db uncorrected_db temperature_c"
    ),
    **_all_of("analysis/*/stability/", _COUNTS, "n", "insertion"),
    **_all_of("analysis/*/stability/", _COUNTS, "o", "outliers"),
    **_all_of("analysis/*/stability/", _NUMBERS, "h", "span_time span_repeatability_db"),
    **_all_of(
        "analysis/*/stability/allan/", _NUMBERS, "a",
        "averaging_s deviation_db low_db high_db effective_dof",
    ),
    **_all_of("analysis/*/stability/allan/", _COUNTS, "a", "pairs noise_exponent"),
    **_all_of("analysis/*/stability/steps/", _COUNTS, "r", "first"),
    **_all_of("analysis/*/stability/steps/", _NUMBERS, "r", "size_db standard_uncertainty_db"),
    **_all_of("analysis/*/stability/zero/", _NUMBERS, "m", "time change_db"),
}  # fmt: skip
"""By place; a star stands for a band, or for a line of the budget."""

Kind = Literal["text", "count", "number", "flag", "estimate"]


def _kinds(kind: Kind, names: str) -> dict[str, Kind]:
    return dict.fromkeys(names.split(), kind)


ATTRIBUTES: dict[str, Kind] = {
    **_kinds("text", "schema run_id procedure started finished software simulated_bench"),
    **_kinds("text", "parameters station item instruments header_sha256 traces unit"),
    **_kinds("text", "finding wanted_again content_sha256 figures_sha256 sha256"),
    **_kinds("text", "runs left_out notes zero_marks doubts method verdict decision_rule"),
    **_kinds("text", "advice rule_of_k type distribution source estimate acts_on"),
    **_kinds("flag", "simulated gum_validated is_told_apart"),
    **_kinds("count", "rules trials worst_index position missing insertions"),
    **_kinds("number", "sweeps dof coverage_probability margin_db conformance_probability"),
    **_kinds("number", "guard_band_db begin end interval_s mean_db repeatability_db"),
    **_kinds("number", "time_constant_s approach_db settled_s mean_c lowest_c highest_c"),
    **_kinds("number", "correlation_with_time apparent_change_db remaining_change_db"),
    **_kinds("number", "explained_share"),
    **_kinds("estimate", "drift_db_per_h coefficient_db_per_k relative_per_k"),
}
"""By name, which means one thing wherever it stands. An estimate is four numbers."""
