"""The commands of Tareline and their options, as the command line has them."""

import re
from functools import cache

import click
import typer

from harness.commands.cli import app
from tests.documents import HOUSE


@cache
def command_tree():
    return typer.main.get_command(app)


@cache
def procedures():
    """Commands of `tareline run` by name."""
    runs = command_tree().commands["run"]
    context = click.Context(runs)
    return {name: runs.get_command(context, name) for name in runs.list_commands(context)}


def command_of(words):
    """The command that words name, and the words after it; no command where they leave it open."""
    if not words or words[0].startswith("-"):
        return command_tree(), words
    first, *rest = words
    if first.isupper() or re.fullmatch(r"\d+\.\d+\.\d+", first):
        # any of them, or the version
        return None, rest
    assert first in command_tree().commands, f"there is no command {first!r}"
    if first != "run":
        return command_tree().commands[first], rest
    if not rest or rest[0].isupper() or rest[0].endswith(".py"):
        return None, rest[1:]
    assert rest[0] in procedures(), f"there is no procedure {rest[0]!r}"
    return procedures()[rest[0]], rest[1:]


def options_of(command):
    parameters = command.get_params(click.Context(command))
    return {text for each in parameters for text in (*each.opts, *each.secondary_opts)}


@cache
def every_option():
    """Of Tareline, and of the programs of the studies, benchmarks and the simulated bench."""
    found = options_of(command_tree())
    for command in (*command_tree().commands.values(), *procedures().values()):
        found |= options_of(command)
    for path in (*(HOUSE / "tests").rglob("*.py"), HOUSE / "drivers" / "simulated" / "__main__.py"):
        found |= set(re.findall(r'add_argument\(\s*"(--[a-z-]+)"', path.read_text("utf-8")))
    return found


def options_among(words):
    return {word.partition("=")[0] for word in words if re.match(r"--?[a-z]", word)}
