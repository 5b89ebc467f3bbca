"""`tareline truth`: stated uncertainty against what the simulated bench knows."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.running.truth_check import TruthRow


def truth(
    runs: Annotated[list[Path], typer.Argument(metavar="RUN", help="Run files (.h5).")],
) -> None:
    """For simulated runs: how often the truth lies inside the stated uncertainty."""
    from harness.running.truth_check import compare_with_truth

    _print_truth(compare_with_truth(runs))


def _print_truth(rows: Sequence[TruthRow]) -> None:
    """Print how the stated figures compare with the simulated truth."""
    from rich.console import Console
    from rich.table import Table

    table = Table(title="Simulated truth against stated uncertainty", title_justify="left")
    for heading in ("item", "band"):
        table.add_column(heading)
    for heading in ("inside U", "largest error", "mean U"):
        table.add_column(heading, justify="right")
    for row in rows:
        table.add_row(
            row.item,
            row.band,
            f"{row.inside} of {row.points}",
            f"{row.largest_error_db:+.3f} dB",
            f"{row.expanded_uncertainty_db:.3f} dB",
        )
    console = Console()
    console.print(table)
    inside, points = sum(r.inside for r in rows), sum(r.points for r in rows)
    console.print(f"Truth inside U at {inside} of {points} points ({inside / points:.1%}).")
