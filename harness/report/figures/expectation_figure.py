"""Expected loss over frequency as a picture file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from drivers.errors import InputError, UnwritableError
from harness.analysis.expected.catalogue_parts import Catalogue
from harness.analysis.expected.expected_loss import ExpectedLoss, expected_loss
from harness.planning.expectation import Candidate
from harness.report.words import numbers

FORMATS = ("svg", "png", "pdf")
POINTS = 301
GREATEST_NUMBER = 8
"""Of candidates in one drawing."""
_DASHES = ("-", (0, (6, 2)), (0, (2, 2)), (0, (8, 2, 2, 2)))


def draw(candidates: Sequence[Candidate], catalogue: Catalogue, path: Path) -> None:
    """Draw each candidate's loss with its U, and its maximum where one is stated and judged.

    The frequencies span those that were asked for; a single one is shown with its surroundings.

    Raises:
        InputError: the ending is of no known format, or there are too many.
        UnwritableError: the file cannot be written.
    """
    import matplotlib
    from matplotlib.figure import Figure

    if path.suffix.lstrip(".").lower() not in FORMATS:
        raise InputError(
            f"--figure: {str(path)!r} has no ending that is known here",
            hint=f"let it end in one of .{', .'.join(FORMATS)}",
        )
    if len(candidates) > GREATEST_NUMBER:
        raise InputError(f"{len(candidates)} chains are too many for one drawing", hint="draw 8")
    job = candidates[0].job
    low_hz, high_hz = float(job.frequency_hz[0]), float(job.frequency_hz[-1])
    if low_hz == high_hz:
        low_hz, high_hz = 0.5 * low_hz, 1.5 * high_hz
    frequency_hz = np.linspace(low_hz, high_hz, POINTS)
    divisor, unit = numbers.frequency_scale(high_hz)
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update({"text.parse_math": False, "svg.hashsalt": "expected"})
        figure = Figure(figsize=(7.0, 4.4), layout="constrained")
        axes = figure.add_subplot()
        x = frequency_hz / divisor
        for place, candidate in enumerate(candidates):
            one = replace(candidate.job, frequency_hz=frequency_hz)
            parts = [part.part for part in candidate.expected.parts]
            found: ExpectedLoss = expected_loss(
                parts, catalogue, frequency_hz,
                temperature_c=one.temperature_c, length_limits_m=one.length_limits_m,
            )  # fmt: skip
            u = found.expanded_uncertainty_db
            dash = _DASHES[place % len(_DASHES)]
            (line,) = axes.plot(x, found.loss_db, linestyle=dash, label=f"{candidate.title}, ± U")
            axes.fill_between(
                x, found.loss_db - u, found.loss_db + u, color=line.get_color(), alpha=0.15, lw=0
            )
            if found.maximum_db is not None and (job.by_maximum or len(candidates) == 1):
                axes.plot(
                    x, found.maximum_db, linestyle=":", color=line.get_color(), label="maximum"
                )
        if job.limit_db is not None:
            axes.axhline(job.limit_db, color="0.3", linestyle="--", label="limit")
        axes.set_xlabel(f"Frequency, {unit}")
        axes.set_ylabel("Expected loss, dB")
        axes.set_ylim(bottom=0.0)
        axes.margins(x=0.0)
        axes.grid(alpha=0.3)
        figure.legend(loc="outside lower left")
        try:
            figure.savefig(path, metadata={"Date": None} if path.suffix.lower() == ".svg" else None)
        except OSError as error:
            raise UnwritableError(path, error) from error
