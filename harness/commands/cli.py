"""The command line. Heavy modules are imported by the commands that need them.

Exit status: 0 done and every verdict a pass (or no limit), 1 done but some verdict is not
a pass, 2 wrong usage or input, 3 instrument or file trouble, 128 + n stopped by signal n.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping
from functools import cache
from typing import Annotated, Any

import typer
from typer.core import TyperGroup
from typer.main import get_command

from harness.commands.adapter_losses import adapter_losses
from harness.commands.cable_model import cable_model
from harness.commands.catalogue import catalogue
from harness.commands.certificate import certificate
from harness.commands.check import check
from harness.commands.delay import delay
from harness.commands.dialect import dialect
from harness.commands.expect import expect
from harness.commands.export import export
from harness.commands.gauge_study import gauge_study
from harness.commands.help_texts import add_command
from harness.commands.import_files import import_files
from harness.commands.init import init
from harness.commands.instruments import instruments
from harness.commands.plan import plan
from harness.commands.prove import prove
from harness.commands.report import report
from harness.commands.resume import resume
from harness.commands.run import run_app
from harness.commands.sample_size import sample_size
from harness.commands.simulate import simulate
from harness.commands.truth import truth
from harness.commands.verify import verify
from harness.commands.watch import watch

GROUPS: Mapping[str, Mapping[str, Callable[..., Any] | typer.Typer]] = {
    "Set up": {"init": init, "check": check},
    "Before measuring": {
        "catalogue": catalogue,
        "expect": expect,
        "plan": plan,
        "prove": prove,
        "sample-size": sample_size,
    },
    "Measure": {"run": run_app, "watch": watch, "resume": resume, "import": import_files},
    "Read": {"report": report, "certificate": certificate, "export": export, "verify": verify},
    "Several runs": {
        "cable-model": cable_model,
        "adapter-losses": adapter_losses,
        "delay": delay,
        "gauge-study": gauge_study,
    },
    "Instruments, real and simulated": {
        "instruments": instruments,
        "dialect": dialect,
        "simulate": simulate,
        "truth": truth,
    },
}
"""Every command, in the order of use."""


class InOrderOfUse(TyperGroup):
    """Lists the commands as `GROUPS` does."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Names of all commands."""
        return [name for group in GROUPS.values() for name in group]


app = typer.Typer(
    name="tareline",
    cls=InOrderOfUse,
    help="Measure the insertion loss of coaxial assemblies, with an uncertainty that is true.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
for _group, _commands in GROUPS.items():
    for _name, _command in _commands.items():
        if isinstance(_command, typer.Typer):
            app.add_typer(_command, name=_name, rich_help_panel=_group)
        else:
            add_command(app, _name, _command, _command.__doc__ or "", _group)


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


@cache
def command() -> Callable[[], Any]:
    """The command line, put together once a process."""
    return get_command(app)


def main() -> None:
    """Run the command line, turning every error of ours into a message and an exit status.

    `harness/commands/start.py` calls it, once stop signals are listened to.
    """
    # our matrices are small: threads that wait for each other made them twenty times slower where
    # other programs kept the cores busy
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        command()()
    except Exception as error:  # noqa: BLE001
        from harness.report.words.complaint import tell_error

        sys.exit(tell_error(error))
