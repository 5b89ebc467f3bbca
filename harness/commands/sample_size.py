"""The command `tareline sample-size`: how many of a lot to check, and how many may fail."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

if TYPE_CHECKING:
    from harness.analysis.lots.sampling import QualityPoint, SamplingPlan


def sample_size(
    lot: Annotated[
        Optional[int],  # noqa: UP045  (typer reads it at run time)
        typer.Option(min=1, max=10_000_000, help="Items in the lot; without it, a process."),
    ] = None,
    accept_quality: Annotated[
        str, typer.Option(help='Share of bad items still good enough, such as "1 %".')
    ] = "1 %",
    reject_quality: Annotated[
        str, typer.Option(help="Share of bad items that should be found out.")
    ] = "5 %",
    # the usual risks of the two sides (ANSI/ASQ Z1.4; from memory)
    producer_risk: Annotated[
        str, typer.Option(help="Chance that a lot of the first kind is rejected.")
    ] = "5 %",
    consumer_risk: Annotated[
        str, typer.Option(help="Chance that a lot of the second kind is accepted.")
    ] = "10 %",
    accept_number: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(min=0, help="How many may fail, if that is settled: 0 is usual."),
    ] = None,
    sample: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(min=1, help="How many are checked, if that is settled too."),
    ] = None,
    figure: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="Operating characteristic as .svg or .html.", metavar="FILE"),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of text.")] = False,
) -> None:
    """Say how many items of a lot to check, how many may fail, and what that is worth.

    Exact: hypergeometric for a lot, binomial for a process. No files are needed.
    """
    from harness.analysis.lots.sampling import QualityPoint
    from harness.report.pages.figure_file import require_figure_name
    from harness.report.pages.sampling_plan import PlanWithRisks, as_dict, oc_figure, print_plan

    if figure is not None:
        require_figure_name(figure)
    good = QualityPoint(
        _share("--accept-quality", accept_quality), _share("--producer-risk", producer_risk)
    )
    bad = QualityPoint(
        _share("--reject-quality", reject_quality), _share("--consumer-risk", consumer_risk)
    )
    told = PlanWithRisks(_plan(good, bad, lot, accept_number, sample), good, bad)
    if figure is not None:
        from harness.report.pages.figure_file import write_figure
        from harness.report.pages.sampling_plan import sentences

        write_figure([oc_figure(told, "oc")], figure, "Sampling plan", sentences(told))
    if as_json:
        import json

        typer.echo(json.dumps(as_dict(told), allow_nan=False, ensure_ascii=False))
    else:
        from rich.console import Console

        print_plan(told, Console())
    if figure is not None:
        typer.echo(f"figure: {figure}", err=as_json)


def _plan(
    good: QualityPoint,
    bad: QualityPoint,
    lot: int | None,
    accept_number: int | None,
    sample: int | None,
) -> SamplingPlan:
    from drivers.errors import InputError
    from harness.analysis.lots.sampling import SamplingPlan, consumer_sample, smallest_plan

    if sample is not None and accept_number is None:
        raise InputError(
            "--sample says how many are checked, but not how many of them may fail",
            hint="give --accept-number too, or leave --sample out",
        )
    try:
        if accept_number is None:
            return smallest_plan(good, bad, lot)
        if sample is not None:
            return SamplingPlan(sample, accept_number, lot)
        return SamplingPlan(consumer_sample(bad, accept_number, lot), accept_number, lot)
    except ValueError as error:
        raise InputError(
            f"there is no such plan: {error}",
            hint="change --accept-quality, --reject-quality, a risk, or --lot",
        ) from error


def _share(option: str, text: str) -> float:
    """A share from "1 %" or "0.01".

    Raises:
        InputError: it is neither, or not from 0 to below 100 %.
    """
    from drivers.errors import InputError

    bare = text.strip()
    percent = bare.endswith("%")
    try:
        value = float(bare.removesuffix("%").strip()) / (100.0 if percent else 1.0)
    except ValueError:
        value = -1.0
    if not 0.0 <= value < 1.0:
        raise InputError(
            f"{option} {text!r} is not a share from 0 % to below 100 %",
            hint=f'write it like {option} "2.5 %" or {option} 0.025',
        )
    return value
