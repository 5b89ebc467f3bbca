"""Help texts as a terminal wants them: every paragraph one line, to be broken at its width."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, get_args, get_origin, get_type_hints

import typer
from typer.core import TyperArgument, TyperCommand
from typer.models import OptionInfo

VALUES = {int: "NUMBER", float: "NUMBER", str: "TEXT", Path: "PATH"}
"""What stands for the value of an option that gives it no name of its own."""


class PlainCommand(TyperCommand):
    """A command whose help shows the names of its arguments, without types of the language."""

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        for parameter in self.params:
            if isinstance(parameter, TyperArgument):
                # versions of typer that show no type have no such name, and ignore it
                setattr(parameter, "display_type", lambda ctx: "")  # noqa: B010


def flowing(text: str) -> str:
    """`text` with every paragraph in one line; brackets are signs in it, not styles."""
    paragraphs = inspect.cleandoc(text).split("\n\n")
    return "\n\n".join(" ".join(part.split()) for part in paragraphs).replace("[", "\\[")


def sentence(text: str) -> str:
    """`text` with a capital at its beginning and a full stop at its end."""
    told = flowing(text)
    return told and f"{told[0].upper()}{told[1:]}{'' if told.endswith('.') else '.'}"


def add_command(
    app: typer.Typer, name: str, function: Callable[..., Any], text: str, group: str | None = None
) -> None:
    """Make `function` the command `name`, listed under `group`."""
    # evaluated here, so that typer sees these very values
    function.__annotations__ = get_type_hints(function, include_extras=True)
    hints: list[Any] = list(function.__annotations__.values())
    for hint in hints:
        if get_origin(hint) is Annotated:
            kind, how = get_args(hint)[:2]
            if isinstance(how, OptionInfo) and how.metavar is None:
                how.metavar = _value_name(kind)
    app.command(name, cls=PlainCommand, help=flowing(text), rich_help_panel=group)(function)


def _value_name(kind: Any) -> str:
    """For a type, a list of it, or one that may be left out; empty for a flag, which has none."""
    inside = (_value_name(one) for one in get_args(kind))
    return VALUES.get(kind) or next(filter(None, inside), "")
