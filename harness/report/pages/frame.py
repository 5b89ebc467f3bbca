"""What all pages share: templates, style sheets, and text that is safe in HTML."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from drivers.quantities import counted
from harness.report.words import numbers

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup


def render(template: str, styles: Sequence[str], more_style: str = "", **values: Any) -> str:
    """A template filled in, with style sheets of this folder in the page.

    `more_style` is CSS made for this page; texts in it must have gone through `css_string`.
    The template gets `drawing`, which marks finished SVG as markup.
    """
    from markupsafe import Markup

    # Style sheets are ours and drawings escape their own text: both are markup already.
    style = "\n".join([*(resource(name) for name in styles), more_style]).rstrip("\n") + "\n"
    return (
        _environment().get_template(template).render(style=Markup(style), drawing=Markup, **values)
    )


def css_string(text: str) -> str:
    """`text` as a CSS string, in quotes; it can end neither the string nor the style element."""
    plain = numbers.printable(text)
    return (
        '"' + "".join(c if c.isalnum() and c.isascii() else f"\\{ord(c):x} " for c in plain) + '"'
    )


def resource(name: str) -> str:
    """A text file of this folder."""
    return files("harness.report.pages").joinpath(name).read_text(encoding="utf-8")


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        loader=FunctionLoader(resource),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_clean,
    )
    environment.filters["typeset"] = numbers.typeset
    environment.filters["breaking"] = _breaking
    environment.globals["counted"] = counted
    return environment


def _breaking(text: str) -> Markup:
    """`text` with a place to break after each semicolon of a message of commands without blanks.

    A `wbr` is left out by those who copy the message.
    """
    from markupsafe import Markup, escape

    return Markup(";<wbr>").join(
        escape(part) for part in re.split(r";(?! )", numbers.printable(text))
    )


def _clean(value: Any) -> Any:
    """Control characters have no place in HTML; drawings and the style sheet have none."""
    return numbers.printable(value) if type(value) is str else value
