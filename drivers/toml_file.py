"""TOML files that people write, read into validated models with every mistake named at once."""

from __future__ import annotations

import difflib
import tomllib
import types
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Generic, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError

from drivers.errors import InputError

ModelT = TypeVar("ModelT", bound=BaseModel)


class Table(BaseModel):
    """A table of a file: no unknown keys, not changed after it was read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


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
    except tomllib.TOMLDecodeError as error:
        return ReadFile(None, (Mistake(name, "", f"is not valid TOML: {error}"),))
    try:
        return ReadFile(model.model_validate(data), ())
    except ValidationError as error:
        found = tuple(
            Mistake(name, ".".join(map(str, e["loc"])), _problem(model, dict(e)))
            for e in error.errors()
        )
        return ReadFile(None, found)


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


def _problem(model: type[BaseModel], error: dict[str, Any]) -> str:
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
    if kind == "union_tag_invalid":
        known = [word.strip("'") for word in str(error["ctx"]["expected_tags"]).split(", ")]
        tag = str(error["ctx"]["tag"])
        return f"there is no kind {tag!r}; {nearest(tag, known)}"
    if kind == "union_tag_not_found":
        return "kind is missing, which says of what kind it is"
    message = error["msg"].replace("valid tuple", "list in brackets").replace("dictionary", "table")
    return f"{message[0].lower()}{message[1:]}, got {error['input']!r}"


def _keys_at(model: type[BaseModel], loc: Sequence[int | str]) -> list[str]:
    """The keys that the table at `loc` may have, walking down from `model`."""
    here: Any = model
    for step in loc:
        here = _step_into(here, step)
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
