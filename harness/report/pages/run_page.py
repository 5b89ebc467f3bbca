"""One self-contained HTML page for any number of runs: no script, nothing from elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from harness.report.files.whole_file import write_whole
from harness.report.pages.frame import render
from harness.report.pages.run_view import view_run
from harness.report.words.numbers import CONFIDENCE
from harness.report.words.sentences import SIMULATED, summary
from harness.run_file.run import Run

CAUTIONS = (
    "Keep the power below the damage level of every port, sensor and item, the weakest of them "
    "included; switch RF off before any connection is changed.",
    "Leave no driven port open to an antenna: transmitting needs a licence and is subject to "
    "local rules.",
    "Tighten with a torque wrench set for the connector; clean and gauge connectors before they "
    "are mated; wear an ESD strap.",
    "This report informs. Local codes, the instrument's manual and accredited practice decide.",
)


def render_page(runs: Sequence[Run]) -> str:
    """The page as text. The same runs give the same text.

    Raises:
        ValueError: there are no runs.
    """
    if not runs:
        raise ValueError("a report needs at least one run; name a run file")
    views = [view_run(run, f"run{place}") for place, run in enumerate(runs, start=1)]
    return render(
        "page.html",
        ["page.css"],
        runs=views,
        several=len(views) > 1,
        summary=summary(runs),
        simulated_banner=SIMULATED,
        confidence=CONFIDENCE,
        cautions=CAUTIONS,
    )


def write_page(runs: Sequence[Run], path: Path) -> None:
    """Write the page to `path`, whole or not at all.

    Raises:
        OSError: the folder cannot be written to; what stood at `path` is as it was.
        ValueError: there are no runs.
    """
    write_whole(render_page(runs), path)
