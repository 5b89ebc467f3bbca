"""TOML files that people write, read into validated models with every mistake named at once."""

from __future__ import annotations

import difflib
import re
import tomllib
import types
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Generic, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError, model_validator

from drivers.errors import InputError

LONGEST_SHOWN = 120
"""Characters of a wrong value in a message."""
LONGEST_READ = 500
"""Characters of a line that is no TOML which are looked at; a stranger's may be long."""

ModelT = TypeVar("ModelT", bound=BaseModel)


class Table(BaseModel):
    """A table of a file: no unknown keys, not changed after it was read."""

    # a file has few of the tables that there are: each is made ready when it is first read
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    @model_validator(mode="before")
    @classmethod
    def _truth_is_no_number(cls, data: object) -> object:
        """Keep `true` from being read as 1: TOML tells them apart."""
        if not isinstance(data, dict):
            return data
        numbers = {
            key
            for name, field in cls.model_fields.items()
            if bool not in (allowed := _choices(field.annotation)) and allowed & {int, float}
            for key in (name, field.alias)
        }
        return {
            key: _Truth(value) if isinstance(value, bool) and key in numbers else value
            for key, value in data.items()
        }


@dataclass(frozen=True)
class _Truth:
    """A truth value that stands where a number belongs, and is none."""

    value: bool

    def __repr__(self) -> str:
        return str(self.value).lower()


@dataclass(frozen=True)
class Mistake:
    """One thing wrong with a file."""

    file: str
    key: str
    problem: str

    def __str__(self) -> str:
        return (
            f"{self.file}: {self.key}: {self.problem}"
            if self.key
            else f"{self.file}: {self.problem}"
        )


@dataclass(frozen=True)
class ReadFile(Generic[ModelT]):
    """A file that was read: its content, or what is wrong with it."""

    content: ModelT | None
    mistakes: tuple[Mistake, ...]


def read_table(path: Path, model: type[ModelT]) -> ReadFile[ModelT]:
    """Read a TOML file into `model`; collects mistakes instead of raising."""
    name = str(path)
    try:
        text = path.read_text("utf-8-sig")
    except FileNotFoundError:
        return ReadFile(None, (Mistake(name, "", "there is no such file"),))
    except (OSError, UnicodeDecodeError) as error:
        return ReadFile(None, (Mistake(name, "", f"cannot be read: {error}"),))
    return parse_table(text, model, name)


def parse_table(text: str, model: type[ModelT], name: str) -> ReadFile[ModelT]:
    """Read TOML text into `model`; `name` is what mistakes call the file."""
    try:
        data = tomllib.loads(text)
    except RecursionError:
        mistake = "is not valid TOML: brackets within brackets, too deep to read"
        return ReadFile(None, (Mistake(name, "", mistake),))
    except tomllib.TOMLDecodeError as error:
        return ReadFile(None, (Mistake(name, "", _what_is_no_toml(text, str(error))),))
    except ValueError:  # from the conversion of a number or a date
        mistake = "is not valid TOML: a number of too many digits, or no date of the calendar"
        return ReadFile(None, (Mistake(name, "", mistake),))
    try:
        return ReadFile(model.model_validate(data), ())
    except ValidationError as error:
        found = tuple(
            Mistake(name, ".".join(map(str, e["loc"])), problem(model, dict(e)))
            for e in error.errors()
        )
        return ReadFile(None, found)


_AT_LINE = re.compile(r"at line (\d+)")
_KEY = r"""(?P<key>[\w-]+|"[^"]*"|'[^']*')\s*=\s*"""
_NUMBER = r"(?![+-]?0[box])[+-]?\d[\d.,_]*(?:[eE][+-]?\d+)?"
_BARE_QUANTITY = re.compile(_KEY + rf"(?P<value>{_NUMBER}\s*(?:[^\W\d_]|[%°])[^,#\]}}\"']*)")
_BARE_WORD = re.compile(_KEY + r"(?P<value>[^\W\d_][^,#\]}\"']*)")
_NAME = re.compile(r"\s*(?:\[+(?P<table>[^\]\"'#]*)|(?P<key>[^=\"'#\[]*)=)")
_WORDS_OF_TOML = ("true", "false", "inf", "nan")


def _what_is_no_toml(text: str, told: str) -> str:
    """What the parser stumbled over; of text without quotes, how it is written."""
    at = _AT_LINE.search(told)
    lines = text.splitlines()
    if at is None or int(at[1]) > len(lines):
        return f"is not valid TOML: {told}"
    line = lines[int(at[1]) - 1][:LONGEST_READ]
    for what, bare in (("a quantity", _BARE_QUANTITY), ("text", _BARE_WORD)):
        found = bare.search(line)
        if found is not None and found["value"].strip() not in _WORDS_OF_TOML:
            value = found["value"].strip()[:LONGEST_SHOWN]
            return f'line {at[1]}: {what} stands in quotes: {found["key"]} = "{value}"'
    name = _NAME.match(line)
    if name is not None and not (name["table"] or name["key"] or "").isascii():
        shown = line.strip()[:LONGEST_SHOWN]
        return f"line {at[1]}: names have A to Z, a to z, digits, '-' and '_': {shown}"
    return f"is not valid TOML: {told}: {line.strip()[:LONGEST_SHOWN]}"


def raise_mistakes(mistakes: Sequence[Mistake], *, hint: str = "") -> None:
    """Raise one `InputError` that lists all of `mistakes`; nothing to do without any."""
    if mistakes:
        count = "one mistake" if len(mistakes) == 1 else f"{len(mistakes)} mistakes"
        listing = "\n".join(f"  {mistake}" for mistake in mistakes)
        raise InputError(f"{count} in the input:\n{listing}", hint=hint)


def require(read: ReadFile[ModelT]) -> ModelT:
    """The content of a file, or one `InputError` with all that is wrong with it."""
    raise_mistakes(read.mistakes)
    if read.content is None:
        raise AssertionError("a file without mistakes has content")
    return read.content


def nearest(word: str, known: Sequence[str]) -> str:
    """A phrase that names the nearest known word, or all of them."""
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    return f"did you mean {close[0]!r}?" if close else f"known here: {', '.join(known)}"


_EXPECTED = {
    "model_type": "expected a table",
    "model_attributes_type": "expected a table",
    "dict_type": "expected a table",
    "tuple_type": "expected a list in brackets",
    "list_type": "expected a list in brackets",
    "string_type": "expected text in quotes",
    "bool_type": "expected true or false",
    "bool_parsing": "expected true or false",
    "int_type": "expected a whole number",
    "int_parsing": "expected a whole number",
    "int_from_float": "expected a whole number",
    "float_type": "expected a number",
    "float_parsing": "expected a number",
    "finite_number": "expected a finite number",
}


def problem(model: type[BaseModel], error: dict[str, Any]) -> str:
    """One of the errors of a `ValidationError` of `model` in words for who wrote the file."""
    kind, loc = error["type"], error["loc"]
    if kind == "extra_forbidden":
        known = _keys_at(model, loc[:-1])
        return f"unknown key; {nearest(str(loc[-1]), known)}"
    if kind == "missing":
        return "is missing"
    if kind == "value_error":
        return str(error["ctx"]["error"])
    if kind == "literal_error":
        known = [word.strip("'") for word in str(error["ctx"]["expected"]).split(", ")]
        known[-1:] = [word.strip("'") for word in known[-1].split("' or '")]
        return f"there is no {error['input']!r} here; {nearest(str(error['input']), known)}"
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        tags = _tags(_at(model, loc))
        if not isinstance(error["input"], dict):
            return f"expected a table, got {_shown(error['input'])}"
        if "kind" in error["input"]:
            given = error["input"]["kind"]
            return f"there is no kind {_shown(given)}; {nearest(str(given), tags)}"
        return f"say its kind: {', '.join(tags)}"
    if kind in ("too_short", "too_long"):
        context = error["ctx"]
        bound = (
            f"at least {context['min_length']}"
            if kind == "too_short"
            else f"at most {context['max_length']}"
        )
        return f"expected {bound} in this list or table, got {len(error['input'])}"
    message = _EXPECTED.get(kind) or f"{error['msg'][0].lower()}{error['msg'][1:]}"
    return f"{message}, got {_shown(error['input'])}"


def _shown(value: object) -> str:
    """A value about as it stands in the file, cut where it is long."""
    if isinstance(value, bool):
        return str(value).lower()
    try:
        text = repr(value)
    except ValueError:  # Python does not write out whole numbers of thousands of digits
        return "a number of thousands of digits"
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}..."


def _choices(annotation: Any) -> set[Any]:
    """The types that a value may have."""
    annotation = _bare(annotation)
    if get_origin(annotation) in (Union, types.UnionType):
        return set().union(*map(_choices, get_args(annotation)))
    return {annotation}


def _tags(annotation: Any) -> list[str]:
    """The kinds that a tagged union tells apart."""
    members = get_args(annotation)
    return [tag for m in members for tag in get_args(m.model_fields["kind"].annotation)]


def _at(model: type[BaseModel], loc: Sequence[int | str]) -> Any:
    """The annotation at `loc`, walking down from `model`."""
    here: Any = model
    for step in loc:
        here = _step_into(here, step)
    return here


def _keys_at(model: type[BaseModel], loc: Sequence[int | str]) -> list[str]:
    """The keys that the table at `loc` may have, walking down from `model`."""
    here = _at(model, loc)
    if isinstance(here, type) and issubclass(here, BaseModel):
        return [field.alias or name for name, field in here.model_fields.items()]
    return []


def _step_into(annotation: Any, step: int | str) -> Any:
    """The annotation one step of an error's location further down; None where it is lost."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        fields = annotation.model_fields.items()
        found = [field.annotation for name, field in fields if step in (name, field.alias)]
        return _bare(found[0]) if found else None
    members = get_args(annotation)
    if get_origin(annotation) in (Union, types.UnionType):
        # a tagged union: the step is the tag, and the member is the one that may carry it
        tagged = [m for m in members if step in get_args(m.model_fields["kind"].annotation)]
        return tagged[0] if tagged else None
    return _bare(members[1 if get_origin(annotation) is dict else 0]) if members else None


def _bare(annotation: Any) -> Any:
    """Without `Annotated` and without the None of an optional key."""
    if get_origin(annotation) is Annotated:
        return _bare(get_args(annotation)[0])
    if get_origin(annotation) in (Union, types.UnionType):
        rest = [choice for choice in get_args(annotation) if choice is not types.NoneType]
        return _bare(rest[0]) if len(rest) == 1 else annotation
    return annotation
