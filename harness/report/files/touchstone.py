"""An item as a Touchstone file of two ports, with comments that say what its numbers are.

Touchstone File Format Specification, versions 1.1 and 2.0 (IBIS Open Forum), from memory: ASCII,
comments after `!`, one option line, data of a two-port in the order S11 S21 S12 S22.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from harness.analysis.loss.scattering import ItemScattering
from harness.report.words import numbers
from harness.report.words.numbers import CONFIDENCE
from harness.report.words.sentences import SIMULATED, item_name
from harness.run_file.run import Run

SUFFIX = {"1.1": ".s2p", "2.0": ".ts"}
_ORDER = ((0, 0), (1, 0), (0, 1), (1, 1))


def touchstone_text(
    run: Run, measured: Mapping[str, ItemScattering], reference_ohm: float, version: str = "1.1"
) -> str:
    """All bands of a run in one file; frequencies rise.

    Where bands share a frequency, the values of the band with the smaller U stand there.
    """
    bands = list(measured)
    hz = np.concatenate([measured[band].frequency_hz for band in bands])
    s = np.concatenate([measured[band].s for band in bands])
    u = np.concatenate([run.bands[band].expanded_uncertainty_db for band in bands])
    order = np.lexsort((u, hz))
    order = order[np.concatenate([[True], np.diff(hz[order]) > 0.0])]
    rows = [_row(float(hz[place]), s[place]) for place in order]
    option = f"# Hz S RI R {reference_ohm:g}"
    comments = [_comment(text) for text in _comments(run, measured, len(order) < len(hz))]
    if version == "1.1":
        lines = [*comments, option, *rows]
    else:
        lines = [
            "[Version] 2.0", *comments, option, "[Number of Ports] 2",
            "[Two-Port Data Order] 21_12", f"[Number of Frequencies] {len(rows)}",
            f"[Reference] {reference_ohm:g} {reference_ohm:g}", "[Network Data]", *rows, "[End]",
        ]  # fmt: skip
    return "\n".join(lines) + "\n"


def _row(frequency_hz: float, s: np.ndarray) -> str:
    parts = [f"{part:.9g}" for entry in _ORDER for part in (s[entry].real, s[entry].imag)]
    return f"{frequency_hz:.12g} {' '.join(parts)}"


def _comments(run: Run, measured: Mapping[str, ItemScattering], has_shared: bool) -> Sequence[str]:
    some = list(measured.values())
    said = [f"Item {item_name(run)}, run {run.run_id}, {run.started}"]
    if run.simulated:
        said.append(SIMULATED)
    said += [
        f"Software: {run.software}",
        "|S21| = 10^(-A/20), A being the insertion loss that the run states (normalized by the "
        "through). Phase of S21: relative to the through, mean of the insertions.",
    ]
    if all(one.has_reverse for one in some):
        said.append("S12: as S21, from the reverse readings")
    else:
        said.append("S12 was not measured: S21 stands in its place (a passive item is reciprocal)")
    said.append(
        "S11, S22 were NOT measured at the item's plane: 0 stands in their place and says nothing"
    )
    if any(one.is_cut_off for one in some):
        said.append("Where A is below 0 dB, which no passive item can have, |S| stands as 1")
    adapter = run.station.get("through") or {}
    if adapter.get("adapter"):
        said.append("The loss of the adapter that closed the through is added; its phase is not")
    said.append(f"Greatest expanded uncertainty U of A ({CONFIDENCE}), by band:")
    for name in measured:
        largest = float(np.max(run.bands[name].expanded_uncertainty_db))
        known = math.isfinite(largest) and largest > 0.0
        said.append(f"  {name}: {numbers.two_digits(largest)} dB" if known else f"  {name}: ?")
    if has_shared:
        said.append("Bands share frequencies: there stands the band with the smaller U")
    return said


def _comment(text: str) -> str:
    """ASCII of one line, as the format asks for."""
    plain = "".join(c if " " <= c <= "~" else "?" for c in text)
    return f"! {plain}"
