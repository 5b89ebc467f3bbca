"""The texts of a dialect: commands, questions, and templates with a placeholder in braces."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator

from drivers.toml_file import nearest

_NUMBER_FORM = re.compile(r"(\.\d{1,2}[efgEFG]|d)?")
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")


def fill(template: str, **values: str) -> str:
    """A command with its placeholders filled in; other braces stay as they are."""
    for name, value in values.items():
        template = template.replace("{" + name + "}", value)
    return template


def _one_message(text: str) -> str:
    if not text.strip():
        raise ValueError("is empty: state the command, or leave the key out")
    if any(ord(character) < 32 or ord(character) > 126 for character in text):
        raise ValueError(
            "holds a line end or a character that is not plain ASCII: write one command, and put "
            "several into a list in brackets"
        )
    return text


def _asks(text: str) -> str:
    if "?" not in text:
        raise ValueError(f"{text!r} is no question: it must contain '?', so that an answer comes")
    return text


def _last_asks(commands: tuple[str, ...]) -> tuple[str, ...]:
    if not commands or "?" not in commands[-1]:
        raise ValueError("the last command must be a question (with '?') whose answer is the data")
    return commands


def _number_form(text: str) -> str:
    if not _NUMBER_FORM.fullmatch(text):
        raise ValueError(
            f"{text!r} is not one of the forms such as '.6f' (six decimals), '.3e' (with "
            "exponent) or 'd' (whole number)"
        )
    return text


def _listed(value: object) -> object:
    return [value] if isinstance(value, str) else value


def holds(*names: str, required: bool = True) -> AfterValidator:
    """Checks that a template has the placeholders `names` and no others."""

    def check(text: str) -> str:
        found = _PLACEHOLDER.findall(text)
        for name in found:
            if name not in names:
                raise ValueError(
                    f"{{{name}}} stands for nothing here; {nearest(name, names)} in braces"
                )
        missing = [name for name in names if name not in found]
        if required and missing:
            raise ValueError(
                f"{text!r} must contain {{{missing[0]}}}, in the place where it goes in the command"
            )
        return text

    return AfterValidator(check)


NumberForm = Annotated[str, AfterValidator(_number_form)]
"""How a number is written; empty: with all digits that it has."""
Message = Annotated[str, AfterValidator(_one_message)]
"""One command as it is sent, without its line end."""
Question = Annotated[Message, AfterValidator(_asks)]
Messages = Annotated[tuple[Message, ...], BeforeValidator(_listed)]
"""One command, or a list of them."""
ValueMessage = Annotated[Message, holds("value")]
TraceMessages = Annotated[
    tuple[Annotated[Message, holds("trace", required=False)], ...], BeforeValidator(_listed)
]
TraceQuestion = Annotated[TraceMessages, AfterValidator(_last_asks)]
ChannelMessage = Annotated[Message, holds("channel")]
