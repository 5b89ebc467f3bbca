"""A run's verdict in one line for the bench, word and sign before the figures."""

from __future__ import annotations

from harness.evaluation.standing import Standing, deciding_band, standing_of_run, worst_point
from harness.report.words import numbers
from harness.report.words.sentences import item_name
from harness.run_file.run import Run

GOOD = (Standing.PASS, Standing.NO_LIMIT)
DOUBTFUL = (Standing.FAIL, Standing.CONDITIONAL_FAIL, Standing.NO_VERDICT)
"""What deserves a further insertion before an item is condemned."""


def verdict_line(run: Run) -> str:
    """`PIG-0012  ✓ pass  0.448 ± 0.054 dB, limit 0.600, margin +0.152 (telemetry-868)`.

    The figures are those of the band that decides, at its worst point.
    """
    standing = standing_of_run(run)
    name = f"{item_name(run)}  {standing.sign} {standing.word}"
    if standing is Standing.UNFINISHED:
        return name
    band = deciding_band(run)
    point = worst_point(run.bands[band])
    u_db = point.expanded_uncertainty_db
    figures = f"{numbers.with_uncertainty(point.insertion_loss_db, u_db)} dB"
    if point.limit_db == point.limit_db:
        figures += f", limit {numbers.limit(point.limit_db, u_db)}"
    if point.margin_db == point.margin_db:
        figures += f", margin {numbers.signed(point.margin_db, u_db)}"
    return f"{name}  {figures} ({band})"
