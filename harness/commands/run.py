"""`tareline run PROCEDURE`: a procedure's typed parameters become its options."""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from harness.commands.help_texts import add_command, sentence
from harness.commands.run_lot import LOT_OPTIONS, LotChoices, carry_out_lot
from harness.commands.run_order import RunOrder

if TYPE_CHECKING:
    from harness.bench.procedure import Procedure

PANEL = "Procedures"
THEN = (
    "Shell command after the end, whatever it was; TARELINE_STATUS, TARELINE_RUNS and others tell."
)


_EVERYWHERE: dict[str, tuple[Any, Any, Any]] = {
    "station": (Path, typer.Option(help="Station file."), Path("station.toml")),
    "items": (Path, typer.Option(help="Items file."), Path("items.toml")),
    "results": (Path, typer.Option(help="Folder of the run files."), Path("results")),
    "as_json": (bool, typer.Option("--json", help="JSON instead of a table."), False),
    "then": (str, typer.Option(help=THEN, metavar="COMMAND"), ""),
}


def _common_parameters() -> list[inspect.Parameter]:
    """The options that every procedure for single items has."""
    how = typer.Option(metavar="ITEM", help="Item to measure, may be repeated; all without it.")
    return _declared({"item": (list[str], how, []), **_EVERYWHERE})


def _lot_parameters() -> list[inspect.Parameter]:
    """The options that every procedure for lots has."""
    return _declared({**LOT_OPTIONS, **_EVERYWHERE})


def _declared(declared: dict[str, tuple[Any, Any, Any]]) -> list[inspect.Parameter]:
    return [
        inspect.Parameter(
            name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=Annotated[kind, how]
        )
        for name, (kind, how, default) in declared.items()
    ]


class ProcedureCommands(TyperGroup):
    """A group whose commands are the procedures that can be found."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Names of built-in and installed procedures, in the order of use."""
        from harness.running.finding_procedures import procedure_names

        return procedure_names()

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """The command of a procedure, by name or by the path of its file."""
        from harness.running.finding_procedures import find_procedure

        return _command(find_procedure(cmd_name))


run_app = typer.Typer(
    cls=ProcedureCommands,
    no_args_is_help=True,
    subcommand_metavar="PROCEDURE [OPTIONS]",
    help="Carry a procedure out on items: normalize, insert, sweep, check, judge.",
    epilog="A procedure of your own is named by its file: tareline run ./my_procedure.py",
)


def _command(procedure: Procedure) -> Any:
    own = [_as_option(parameter, procedure.told.of) for parameter in procedure.parameters]
    common = _lot_parameters() if procedure.takes_lots else _common_parameters()
    taken = {parameter.name for parameter in common}
    clash = [parameter.name for parameter in own if parameter.name in taken]
    if clash:
        from drivers.errors import InputError

        raise InputError(
            f"the procedure {procedure.name!r} has a parameter {clash[0]!r}, which every "
            "procedure has as an option of its own",
            hint="give the parameter another name",
        )

    def body(**values: Any) -> None:
        parameters = {parameter.name: values.pop(parameter.name) for parameter in own}
        _carry_out(procedure, parameters, **values)

    signature = inspect.Signature([*own, *common])
    body.__signature__ = signature  # type: ignore[attr-defined]
    body.__annotations__ = {p.name: p.annotation for p in signature.parameters.values()}
    single = typer.Typer(
        add_completion=False,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    add_command(single, procedure.name, body, procedure.told.whole, PANEL)
    return typer.main.get_command(single)


def _as_option(parameter: inspect.Parameter, told: Mapping[str, str]) -> inspect.Parameter:
    """A parameter of a procedure as an option of its command."""
    how = typer.Option(help=sentence(told.get(parameter.name, "")))
    return parameter.replace(
        kind=inspect.Parameter.KEYWORD_ONLY, annotation=Annotated[parameter.annotation, how]
    )


def _carry_out(
    procedure: Procedure, parameters: dict[str, Any], *, then: str, **options: Any
) -> None:
    from harness.running.afterwards import afterwards

    with afterwards(then) as outcome:
        stated = {name: options.pop(name) for name in _EVERYWHERE if name in options}
        order = RunOrder(procedure, parameters, outcome, **stated)
        if procedure.takes_lots:
            carry_out_lot(order, LotChoices(**options))
        else:
            _measure_and_report(order, **options)


def _measure_and_report(order: RunOrder, item: list[str]) -> None:
    import json

    from rich.console import Console

    from harness.commands.combine import together
    from harness.commands.reporting import (
        EXIT_ALL_PASS,
        EXIT_NOT_ALL_PASS,
        report_json,
        report_table,
        told_in_a_message,
        verdict_status,
        verdict_word,
    )
    from harness.evaluation.read_back import read_run
    from harness.report.words.suggested_command import suggested_command
    from harness.running.measure import measure

    procedure, outcome = order.procedure, order.outcome
    workplace = order.workplace()
    chosen = workplace.choose(item)
    told = together(procedure)
    if told is not None:
        told.require(chosen)
    paths = measure(workplace, chosen, order.assignment())
    runs = [read_run(path) for path in paths]
    outcome.verdict = verdict_word(runs)
    outcome.message = f"{procedure.name} of {', '.join(chosen)}: {outcome.verdict}"
    if len(runs) == 1:
        outcome.message = told_in_a_message(runs[0])
    combined = None if told is None else told.combine(paths)
    if order.as_json:
        document = report_json(runs)
        if told is not None:
            document = json.dumps(
                {**json.loads(document), "combined": told.as_json(combined)},
                allow_nan=False,
                ensure_ascii=False,
            )
        typer.echo(document)
    else:
        report_table(runs)
        if told is not None:
            typer.echo()
            told.show(combined, Console())
        typer.echo(f"\nFigures, budget and page:\n{suggested_command('report', *paths)}")
    left_out = [name for name in chosen if name not in {run.item["id"] for run in runs}]
    if left_out:
        typer.echo(f"No verdict, left out at the prompt: {', '.join(left_out)}", err=True)
    raise typer.Exit(max(verdict_status(runs), EXIT_NOT_ALL_PASS if left_out else EXIT_ALL_PASS))
