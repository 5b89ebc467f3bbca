"""The command line. Heavy modules are imported by the commands that need them.

Exit status: 0 done and every verdict a pass (or no limit), 1 done but some verdict is not
a pass, 2 wrong usage or input, 3 instrument or file trouble, 128 + n stopped by signal n.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated, Optional

import typer

from harness.commands.catalogue import catalogue
from harness.commands.certificate import certificate
from harness.commands.combine import adapter_losses, cable_model, delay
from harness.commands.expect import expect
from harness.commands.export import export
from harness.commands.gauge_study import gauge_study
from harness.commands.import_files import import_files
from harness.commands.instruments import dialect, instruments
from harness.commands.plan import plan
from harness.commands.prove import prove
from harness.commands.report import report
from harness.commands.resume import resume
from harness.commands.run_procedure import ProcedureCommands
from harness.commands.sample_size import sample_size
from harness.commands.verify import verify
from harness.commands.watch import watch

app = typer.Typer(
    name="tareline",
    help="Measure the insertion loss of coaxial assemblies, with an uncertainty that is true.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
run_app = typer.Typer(cls=ProcedureCommands, no_args_is_help=True)
app.add_typer(
    run_app,
    name="run",
    help="Carry a procedure out on items: normalize, insert, sweep, check, judge.",
)
app.command()(resume)
app.command()(expect)
app.command()(catalogue)
app.command("import")(import_files)
app.command()(instruments)
app.command()(dialect)
app.command()(cable_model)
app.command()(adapter_losses)
app.command()(delay)
app.command()(plan)
app.command()(prove)
app.command()(sample_size)
app.command()(gauge_study)
app.command()(watch)
app.command()(certificate)
app.command()(export)
app.command()(report)
app.command()(verify)


def _print_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"tareline {version('tareline')}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", help="Show the version.", callback=_print_version, is_eager=True),
    ] = False,
) -> None:
    """Options before any command."""


RunFiles = Annotated[list[Path], typer.Argument(metavar="RUN...", help="Run files (.h5).")]


@app.command()
def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where to write the files.")],
) -> None:
    """Write a commented station, items and a simulated bench to start from."""
    from harness.station.starter_files import write_starter

    for path in write_starter(folder):
        typer.echo(f"wrote {path}")
    typer.echo(
        f"\nIt works at once, on the simulated bench:\n\n  cd {folder}\n  tareline run qualify\n\n"
        "Or a small lot, item after item:\n\n"
        "  tareline run spot-check --results results/lot-7 --serials lot-7.txt"
    )


@app.command()
def check(
    station: Annotated[Path, typer.Option(help="Station file.")] = Path("station.toml"),
    items: Annotated[Path, typer.Option(help="Items file.")] = Path("items.toml"),
) -> None:
    """Check the station and items files without touching an instrument."""
    from harness.running.station_check import check_files
    from harness.station.items import read_workplace

    workplace = read_workplace(station, items)
    check_files(workplace, list(workplace.items), must_measure=False)
    typer.echo(
        f"{workplace.station.name}: {len(workplace.station.bands)} bands, "
        f"{len(workplace.items)} items; no mistakes found"
    )


@app.command()
def simulate(
    bench: Annotated[Path, typer.Option(help="Bench description.")] = Path("simulated-bench.toml"),
    seed: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(min=0, help="Instead of the one described."),
    ] = None,
    pace: Annotated[
        Optional[float],  # noqa: UP045
        typer.Option(min=0.0, help="Real seconds per simulated second; 0 sweeps at once."),
    ] = None,
    log: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(
            help="Log every message to this file, written anew; - is standard error.",
            metavar="FILE|-",
        ),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="The addresses as one line of JSON.")
    ] = False,
) -> None:
    """Serve a simulated bench until Ctrl-C, for writing procedures and dialects."""
    from harness.commands.serve_simulation import serve_until_stopped

    raise typer.Exit(serve_until_stopped(bench, seed=seed, pace=pace, log=log, as_json=as_json))


@app.command()
def truth(runs: RunFiles) -> None:
    """For simulated runs: how often the truth lies inside the stated uncertainty."""
    from harness.commands.reporting import truth_table
    from harness.running.truth_check import compare_with_truth

    truth_table(compare_with_truth(runs))


def main() -> None:
    """Run the command line, turning every error of ours into a message and an exit status."""
    # our matrices are small: threads that wait for each other made them twenty times slower where
    # other programs kept the cores busy
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        app()
    except Exception as error:  # noqa: BLE001
        from harness.report.words.complaint import tell_error

        sys.exit(tell_error(error))
