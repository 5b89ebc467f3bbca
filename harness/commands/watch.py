"""`tareline watch`: a run that goes on elsewhere, seen from a terminal; reads only."""

from __future__ import annotations

import signal
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from harness.evaluation.watch_look import Look
    from harness.running.watching import Watcher

SHORTEST_PERIOD_S = 0.2
EXIT_UNFINISHED = 1


def watch(
    run: Annotated[
        Optional[Path],  # noqa: UP045  (typer reads it at run time)
        typer.Argument(metavar="RUN", help="Run file; else the newest unfinished one."),
    ] = None,
    results: Annotated[Path, typer.Option(help="Folder to look for it in.")] = Path("results"),
    every: Annotated[str, typer.Option(help="Time from one look to the next.")] = "2 s",
    once: Annotated[bool, typer.Option("--once", help="One look, then end.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="A line of JSON for every look.")] = False,
) -> None:
    """Watch a run that another process carries out. Ctrl-C ends the view, never the run."""
    from drivers.errors import InputError
    from drivers.quantities import TIME_UNITS, parse_quantity
    from drivers.stop_signals import StopRequested, heeded
    from harness.running.watching import Watcher, newest_unfinished

    try:
        period_s = parse_quantity(every, TIME_UNITS, "2 s")
    except ValueError as error:
        raise InputError(f"--every: {error}", hint='for example --every "2 s"') from error
    if period_s < SHORTEST_PERIOD_S:
        raise InputError(f"--every {every!r} is too short", hint='at least "0.2 s"')
    watcher = Watcher(run if run is not None else newest_unfinished(results))
    try:
        look = _follow(watcher, period_s, once=once, as_json=as_json)
    except StopRequested as request:
        if request.number != signal.SIGINT:
            raise
        heeded()
        typer.echo("the view is ended; the run goes on", err=True)
        raise typer.Exit from None
    raise typer.Exit(_end(watcher.path, look, once=once, as_json=as_json))


def _follow(watcher: Watcher, period_s: float, *, once: bool, as_json: bool) -> Look:
    """Show the run until it ends; returns the last look."""
    from rich.console import Console

    console = Console()
    if as_json or once or not console.is_terminal:
        return _follow_in_lines(watcher, console, period_s, once=once, as_json=as_json)
    from rich.live import Live

    from harness.report.tables.watch_view import watch_screen

    look = watcher.look(evaluates=False)
    with Live(watch_screen(look, console), console=console, auto_refresh=False) as live:
        live.refresh()
        while not (look.finished or look.ended):
            look = watcher.look()
            live.update(watch_screen(look, console), refresh=True)
            if not (look.finished or look.ended):
                time.sleep(period_s)
    return look


def _follow_in_lines(
    watcher: Watcher, console: Console, period_s: float, *, once: bool, as_json: bool
) -> Look:
    from harness.report.tables.watch_view import watch_as_dict, watch_line, watch_screen

    # the first look is there at once; what takes longer follows
    evaluates = once
    while True:
        look = watcher.look(evaluates=evaluates)
        if as_json:
            import json

            line = json.dumps(watch_as_dict(look), allow_nan=False, ensure_ascii=False)
            print(line, flush=True)
        elif once:
            console.print(watch_screen(look, console))
        else:
            print(watch_line(look), flush=True)
        if once or look.finished or look.ended:
            return look
        if evaluates:
            time.sleep(period_s)
        evaluates = True


def _end(path: Path, look: Look, *, once: bool, as_json: bool) -> int:
    """What is left to say, and the exit status."""
    if look.finished:
        from harness.commands.reporting import report_table, verdict_status
        from harness.evaluation.read_back import read_run

        runs = [read_run(path)]
        if not as_json:
            report_table(runs)
        return verdict_status(runs)
    if look.ended and not as_json:
        from harness.report.words.suggested_command import suggested_command

        print(f"the run ended unfinished, {look.ended}", file=sys.stderr)
        print(
            "take it up again, with the --station that it had, if any:\n"
            f"{suggested_command('resume', path)}",
            file=sys.stderr,
        )
    return EXIT_UNFINISHED if look.ended and not once else 0
