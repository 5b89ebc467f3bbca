"""The command `tareline gauge-study`: whether this bench can judge its limits."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer


def gauge_study(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Run files of the study.")],
    figure: Annotated[
        Optional[Path],  # noqa: UP045  (typer reads it at run time)
        typer.Option(help="Draw every band, as .svg or .html.", metavar="FILE"),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of tables.")] = False,
) -> None:
    """Analyse a gauge study: repeatability, operators, items, and what the bench can judge.

    The folder holds a run for every item, operator and repeat (`tareline run gauge-study`).
    Exit status 1 says that some limit cannot be judged.
    """
    from harness.report.pages.figure_file import require_figure_name
    from harness.several_runs.gauge_results import assess_study
    from harness.several_runs.gauge_runs import read_study

    if figure is not None:
        require_figure_name(figure)
    assessed = assess_study(read_study(folder))
    if figure is not None:
        from harness.report.figures.gauge_figure import gauge_figure
        from harness.report.pages.figure_file import write_figure
        from harness.report.words.gauge_words import closing_sentences

        drawings = [
            gauge_figure(assessed, band, f"gauge{place}")
            for place, band in enumerate(assessed.bands, start=1)
        ]
        write_figure(drawings, figure, "Gauge study", closing_sentences(assessed))
    if as_json:
        import json

        from harness.report.files.gauge_json import as_dict

        typer.echo(json.dumps(as_dict(assessed), allow_nan=False, ensure_ascii=False))
    else:
        from rich.console import Console

        from harness.report.tables.gauge_table import print_study

        print_study(assessed, Console())
    if figure is not None:
        typer.echo(f"figure: {figure}", err=as_json)
    raise typer.Exit(1 if assessed.cannot_judge else 0)
