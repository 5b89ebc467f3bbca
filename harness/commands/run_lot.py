"""`tareline run` for procedures that measure lots: their options, and what is said at the end."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from harness.commands.run_order import RunOrder
    from harness.running.lot.folder import LotSoFar

STANDARD_INPUT = "-"
LOT_OPTIONS: dict[str, tuple[Any, Any, Any]] = {
    "kind": (str, typer.Option(help="What every serial number is: a kind of the items file."), ""),
    "serials": (
        str,
        typer.Option(
            metavar="FILE",
            help="Serial numbers to measure, one a line; - is standard input. Without it they are "
            "typed or scanned.",
        ),
        "",
    ),
    "hands_free": (
        bool,
        typer.Option(
            "--hands-free",
            help="Watch the connections being made instead of waiting for Enter; needs the table "
            "hands_free in the station file.",
        ),
        False,
    ),
    "plain": (
        bool,
        typer.Option("--plain", help="Plain lines only: nothing large, nothing drawn over."),
        False,
    ),
    "bell": (bool, typer.Option(help="Ring once for a pass, twice for what is none."), True),
}


@dataclass(frozen=True)
class LotChoices:
    """How somebody wants to work on a lot: the values of `LOT_OPTIONS`."""

    kind: str
    serials: str
    hands_free: bool
    plain: bool
    bell: bool


def carry_out_lot(order: RunOrder, choices: LotChoices) -> None:
    """Measure a lot, or go on with it, and say how it stands."""
    from harness.commands.reporting import report_json
    from harness.connections.operator_terminal import OperatorTerminal
    from harness.connections.typed_lines import TypedLines
    from harness.evaluation.read_back import read_run
    from harness.running.lot.lot_run import LotOptions, measure_lot

    workplace = order.workplace()
    options = LotOptions(choices.kind, _listed(choices.serials), choices.hands_free)
    terminal = OperatorTerminal(TypedLines(), plain=choices.plain, with_bell=choices.bell)
    result = measure_lot(workplace, order.assignment(), options, terminal)
    order.outcome.message = result.lot.summary()
    order.outcome.verdict = result.lot.worst.word
    if order.as_json:
        typer.echo(report_json([read_run(path) for path in result.finished]))
    else:
        is_study = "operators" in order.parameters
        _say_how_it_stands(result.lot, order.results, is_study=is_study)
    raise typer.Exit(_status(result.lot))


def _listed(serials: str) -> list[str] | None:
    """The serial numbers of a list; None where they are typed."""
    import sys

    from drivers.errors import InputError
    from harness.bench.operator_lines import listed_serials

    if not serials:
        return None
    if serials == STANDARD_INPUT:
        return listed_serials(sys.stdin.read(), "standard input")
    try:
        return listed_serials(Path(serials).read_text("utf-8"), serials)
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"the list of serial numbers {serials!r} cannot be read: {error}",
            hint="a text file with one serial number a line",
        ) from error


def _status(lot: LotSoFar) -> int:
    """0 if every item of the lot has a verdict and passes (or has no limit), else 1."""
    from harness.commands.reporting import EXIT_ALL_PASS, EXIT_NOT_ALL_PASS
    from harness.report.words.verdict_line import GOOD

    good = all(outline.standing in GOOD for outline in lot.done.values())
    whole = not lot.broken_off and not lot.wanted_again()
    return EXIT_ALL_PASS if good and whole else EXIT_NOT_ALL_PASS


def _say_how_it_stands(lot: LotSoFar, folder: Path, *, is_study: bool) -> None:
    import sys

    from drivers.quantities import counted
    from harness.evaluation.standing import Standing
    from harness.report.words.signs import shown
    from harness.report.words.suggested_command import suggested_command
    from harness.report.words.verdict_line import GOOD

    lines = [
        f"{folder}: {lot.summary()}"
        if not is_study
        else f"{folder}: {counted(len(lot.done), 'trial')}"
    ]
    if not is_study:
        lines += [
            f"  {outline.serial}  {outline.standing.sign} {outline.standing.word}"
            for outline in lot.done.values()
            if outline.standing not in (*GOOD, Standing.AGAIN)
        ]
    lines += [f"  {outline.serial}  broken off" for outline in lot.broken_off.values()]
    lines += [
        f"  {outline.serial}  to be measured again: the zero moved after it"
        for outline in lot.wanted_again()
    ]
    if lot.done:
        lines.append(suggested_command("gauge-study" if is_study else "report", folder))
    for line in lines:
        typer.echo(shown(line, sys.stdout.encoding or "ascii"))
