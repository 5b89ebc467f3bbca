"""One self-contained HTML page for any number of runs: no script, nothing from elsewhere."""

from __future__ import annotations

import os
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.report import numbers
from harness.report.statements import CONFIDENCE, SIMULATED, summary
from harness.report.views import view_run
from harness.results import Run

if TYPE_CHECKING:
    from jinja2 import Environment

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
    from markupsafe import Markup

    if not runs:
        raise ValueError("a report needs at least one run; name a run file")
    views = [view_run(run, f"run{place}") for place, run in enumerate(runs, start=1)]
    # The style sheet is ours and the drawings escape their own text: both are markup already.
    return (
        _environment()
        .get_template("page.html")
        .render(
            runs=views,
            several=len(views) > 1,
            summary=summary(runs),
            simulated_banner=SIMULATED,
            confidence=CONFIDENCE,
            cautions=CAUTIONS,
            style=Markup(_resource("page.css")),
            drawing=Markup,
        )
    )


def write_page(runs: Sequence[Run], path: Path) -> None:
    """Write the page to `path`, whole or not at all.

    Raises:
        OSError: the folder cannot be written to; what stood at `path` is as it was.
        ValueError: there are no runs.
    """
    text = render_page(runs)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        loader=FunctionLoader(_resource),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_clean,
    )
    environment.filters["typeset"] = numbers.typeset
    return environment


def _resource(name: str) -> str:
    return files("harness.report").joinpath(name).read_text(encoding="utf-8")


def _clean(value: Any) -> Any:
    """Control characters have no place in HTML; drawings and the style sheet have none."""
    return numbers.printable(value) if type(value) is str else value
