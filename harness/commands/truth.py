"""`tareline truth`: stated uncertainty against what the simulated bench knows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.commands.named_runs import RunsOrFolders, trusted_runs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.running.truth_check import TruthRow


def truth(
    runs: RunsOrFolders,
) -> None:
    """For simulated runs: how often the truth lies inside the stated uncertainty."""
    from harness.running.truth_check import compare_with_truth

    _print_truth(compare_with_truth([run.path for run in trusted_runs(runs)]))


def _print_truth(rows: Sequence[TruthRow]) -> None:
    """Print how the stated figures compare with the simulated truth."""
    from rich.console import Console
    from rich.table import Table

    table = Table(title="Simulated truth against stated uncertainty", title_justify="left")
    # runs of one item are told apart by their ids; else the item says it in fewer columns
    several = len({row.run for row in rows}) > len({row.item for row in rows})
    table.add_column("run" if several else "item", overflow="fold")
    table.add_column("band", overflow="fold")
    for heading in ("inside U", "largest error", "mean U"):
        table.add_column(heading, justify="right")
    for row in rows:
        table.add_row(
            row.run if several else row.item,
            row.band,
            f"{row.inside} of {row.points}",
            f"{row.largest_error_db:+.3f} dB",
            f"{row.expanded_uncertainty_db:.3f} dB",
        )
    console = Console()
    console.print(table)
    inside, points = sum(r.inside for r in rows), sum(r.points for r in rows)
    console.print(f"Truth inside U at {inside} of {points} points ({inside / points:.1%}).")
