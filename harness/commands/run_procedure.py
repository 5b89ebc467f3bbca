"""`tareline run PROCEDURE`: a procedure's typed parameters become its options."""

from __future__ import annotations

import inspect
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from harness.commands.run_lot import LOT_OPTIONS, carry_out_lot

if TYPE_CHECKING:
    from harness.bench.procedure import Procedure
    from harness.running.afterwards import RunEnding

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
    how = typer.Option(help="Item to measure, may be repeated; all without it.")
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
        """Names of built-in and installed procedures."""
        from harness.running.finding_procedures import procedure_names

        return procedure_names()

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """The command of a procedure, by name or by the path of its file."""
        from harness.running.finding_procedures import find_procedure

        return _command(find_procedure(cmd_name))


def _command(procedure: Procedure) -> Any:
    own = [
        parameter.replace(kind=inspect.Parameter.KEYWORD_ONLY) for parameter in procedure.parameters
    ]
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
    body.__doc__ = inspect.getdoc(procedure.function)
    single = typer.Typer(
        add_completion=False,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    single.command(name=procedure.name)(body)
    return typer.main.get_command(single)


def _carry_out(
    procedure: Procedure,
    parameters: dict[str, Any],
    *,
    then: str,
    **options: Any,
) -> None:
    from harness.running.afterwards import afterwards

    carry_out = carry_out_lot if procedure.takes_lots else _measure_and_report
    with afterwards(then) as outcome:
        carry_out(procedure, parameters, outcome, **options)


def _measure_and_report(
    procedure: Procedure,
    parameters: dict[str, Any],
    outcome: RunEnding,
    *,
    item: list[str],
    station: Path,
    items: Path,
    results: Path,
    as_json: bool,
) -> None:
    import json

    from harness.commands.combine import combination, require_combinable
    from harness.commands.reporting import report_json, report_table, verdict_status, verdict_word
    from harness.evaluation.run_analysis import read_run
    from harness.running.measure import Assignment, measure
    from harness.station.items import read_workplace

    workplace = read_workplace(station, items)
    chosen = workplace.choose(item)
    require_combinable(procedure.name, chosen)
    assignment = Assignment(procedure, parameters, results, begun=outcome.runs.append)
    paths = measure(workplace, chosen, assignment)
    runs = [read_run(path) for path in paths]
    outcome.verdict = verdict_word(runs)
    outcome.message = f"{procedure.name} of {', '.join(chosen)}: {outcome.verdict}"
    together = combination(procedure.name, paths)
    if as_json:
        document = report_json(runs)
        if together is not None:
            document = json.dumps(
                {**json.loads(document), "combined": together[0]},
                allow_nan=False,
                ensure_ascii=False,
            )
        typer.echo(document)
    else:
        report_table(runs)
        if together is not None:
            typer.echo()
            together[1]()
        typer.echo(f"\nFigures, budget and page: tareline report {' '.join(map(str, paths))}")
    raise typer.Exit(verdict_status(runs))
