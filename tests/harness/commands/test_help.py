"""Every help text of the command tree, procedures included; in the order of use."""

import importlib
import pkgutil
from pathlib import Path

import pytest
import typer
from typer.core import TyperArgument, TyperGroup, TyperOption
from typer.testing import CliRunner

import harness.commands
import procedures
from harness.bench.procedure import read_told
from harness.commands.cli import GROUPS, app
from harness.running.finding_procedures import procedure_names
from tests.harness.command_line import tareline

NOT_A_COMMAND = {
    "cli", "combine", "help_texts", "named_runs", "option_quantities", "reporting", "run_lot",
    "run_order", "start",
}  # fmt: skip
NOT_AS_ITS_COMMAND = {"import": "import_files"}
"""A word of the language cannot name a module."""
LANGUAGE = ("list[", "<str>", "<int", "<float", "<path>", "Optional")


def commands():
    """Path and command of everything that can be called."""
    root = typer.main.get_command(app)

    def below(words, command):
        yield words, command
        if isinstance(command, TyperGroup):
            context = typer.Context(command)
            for name in command.list_commands(context):
                yield from below([*words, name], command.get_command(context, name))

    return list(below([], root))


@pytest.mark.parametrize(
    ("words", "command"), [pytest.param(*one, id=" ".join(one[0])) for one in commands()]
)
def test_everything_has_a_help_text_that_flows(words, command):
    assert command.help
    for paragraph in command.help.split("\n\n"):
        assert "\n" not in paragraph
    for parameter in command.params:
        assert isinstance(parameter, TyperArgument | TyperOption)
        assert parameter.help, f"{words}: {parameter.name} has no help text"
        assert "\n" not in parameter.help
        assert parameter.help.endswith("."), parameter.help
    shown = CliRunner().invoke(app, [*words, "--help"], env={"COLUMNS": "100"}).stdout
    assert not [word for word in LANGUAGE if word in shown]


def test_commands_are_listed_by_group_in_the_order_of_use():
    shown = CliRunner().invoke(app, ["--help"], env={"COLUMNS": "100"}).stdout
    wanted = [word for group, names in GROUPS.items() for word in (f"─ {group} ─", *names)]
    places = [shown.index(word if word.startswith("─") else f"│ {word} ") for word in wanted]
    assert places == sorted(places)


def test_every_procedure_has_its_place():
    built_in = {m.name.replace("_", "-") for m in pkgutil.iter_modules(procedures.__path__)}
    assert set(procedures.IN_ORDER_OF_USE) == built_in
    assert procedure_names()[: len(built_in)] == list(procedures.IN_ORDER_OF_USE)


def test_a_module_is_named_as_its_command():
    modules = {m.name for m in pkgutil.iter_modules(harness.commands.__path__)} - NOT_A_COMMAND
    named = {name for group in GROUPS.values() for name in group}
    assert modules == {NOT_AS_ITS_COMMAND.get(n, n.replace("-", "_")) for n in named}
    for name in named - {"run"}:
        module = NOT_AS_ITS_COMMAND.get(name, name.replace("-", "_"))
        assert hasattr(importlib.import_module(f"harness.commands.{module}"), module)


def test_what_a_docstring_says_of_parameters():
    told = read_told(
        "Sweep twice.\n\nKeeps both: the better\none counts.\n\nsweeps: how often,\n"
        "    in each band\nremark: kept in the run",
        ["sweeps", "remark", "silent"],
    )
    assert told.summary == "Sweep twice."
    assert told.whole == "Sweep twice.\n\nKeeps both: the better\none counts."
    assert told.of == {"sweeps": "how often, in each band", "remark": "kept in the run"}


OWN = '''
def weigh(bench, sweeps: int = 2, remark: str = "none"):
    """Sweep [twice]; the better
    one counts.

    sweeps: how often, in
        each band
    """
    bench.normalize()
    for _ in bench.insertions(1):
        bench.sweep(sweeps)
'''


def test_a_procedure_of_ones_own_tells_of_its_parameters_or_not(tmp_path):
    Path(tmp_path, "weigh.py").write_text(OWN, "utf-8")
    Path(tmp_path, "plain.py").write_text(OWN.partition('"""')[0] + "    pass\n", "utf-8")
    shown = tareline("run", "./weigh.py", "--help", folder=tmp_path).stdout
    assert "Sweep [twice]; the better one counts." in shown
    assert "How often, in each band." in shown
    assert "--remark" in shown
    plain = tareline("run", "./plain.py", "--help", folder=tmp_path)
    assert plain.returncode == 0, plain.stderr
    assert "--sweeps" in plain.stdout
