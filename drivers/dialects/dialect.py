"""Dialects: tables of the commands that one kind of instrument understands."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar, overload

from drivers.dialects.dialect_roles import (
    Dialect,
    NetworkAnalyzerDialect,
    PowerMeterDialect,
    SignalGeneratorDialect,
    SignalSwitchDialect,
    SpectrumAnalyzerDialect,
    ThermometerDialect,
)
from drivers.errors import InputError
from drivers.toml_file import Mistake, nearest, parse_table, raise_mistakes, require

if TYPE_CHECKING:
    from drivers.link.link import WireSettings

__all__ = [
    "ROLES",
    "Dialect",
    "NetworkAnalyzerDialect",
    "PowerMeterDialect",
    "SignalGeneratorDialect",
    "SignalSwitchDialect",
    "SpectrumAnalyzerDialect",
    "ThermometerDialect",
    "dialect_text",
    "load_dialect",
    "shipped_dialects",
    "wire_settings",
]

DialectT = TypeVar("DialectT", bound=Dialect)

ROLES: dict[str, type[Dialect]] = {
    "network analyzer": NetworkAnalyzerDialect,
    "signal generator": SignalGeneratorDialect,
    "power meter": PowerMeterDialect,
    "spectrum analyzer": SpectrumAnalyzerDialect,
    "signal switch": SignalSwitchDialect,
    "thermometer": ThermometerDialect,
}


def shipped_dialects() -> list[str]:
    """Names of the dialects that come with Tareline."""
    folder = resources.files("drivers") / "dialects"
    return sorted(
        entry.name.removesuffix(".toml")
        for entry in folder.iterdir()
        if entry.name.endswith(".toml")
    )


def dialect_text(name: str, *, relative_to: Path = Path()) -> str:
    """The text of a dialect by its shipped name, or by the path of a TOML file.

    Raises:
        InputError: there is no such dialect.
    """
    if name in shipped_dialects():
        return (resources.files("drivers") / "dialects" / f"{name}.toml").read_text("utf-8")
    path = relative_to / name
    try:
        return path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"the dialect {name!r} is neither shipped nor a file that can be read",
            where=str(path),
            hint=f"use one of {', '.join(shipped_dialects())}, or the path of a TOML file",
        ) from error


@overload
def load_dialect(name: str, *, relative_to: Path = ...) -> Dialect: ...


@overload
def load_dialect(name: str, model: type[DialectT], *, relative_to: Path = ...) -> DialectT: ...


def load_dialect(
    name: str, model: type[Dialect] = Dialect, *, relative_to: Path = Path()
) -> Dialect:
    """Read a dialect by its shipped name, or by the path of a TOML file.

    `model` is the dialect of the role that is wanted; by default any role will do.

    Raises:
        InputError: there is no such dialect, it is for another role, or the table is wrong;
            names every mistake.
    """
    text = dialect_text(name, relative_to=relative_to)
    called = f"dialect {name}" if name in shipped_dialects() else str(relative_to / name)
    stated = _model_of(text, called)
    if not issubclass(stated, model):
        wanted = next(role for role, table in ROLES.items() if table is model)
        actual = next(role for role, table in ROLES.items() if table is stated)
        raise InputError(
            f"the dialect {name!r} is for a {actual}; a {wanted} is wanted here",
            where=called,
            hint="name a dialect of that role in the station file",
        )
    return require(parse_table(text, stated, called))


def _model_of(text: str, called: str) -> type[Dialect]:
    """The table of the role that the text states."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise_mistakes([Mistake(called, "", f"is not valid TOML: {error}")])
        raise AssertionError("a mistake was raised") from error
    role = data.get("role")
    if role is None:
        raise_mistakes([Mistake(called, "role", f"is missing: one of {', '.join(ROLES)}")])
    if not isinstance(role, str) or role not in ROLES:
        problem = f"there is no role {role!r}; {nearest(str(role), list(ROLES))}"
        raise_mistakes([Mistake(called, "role", problem)])
        raise AssertionError("a mistake was raised")
    return ROLES[role]


def wire_settings(dialect: Dialect) -> WireSettings:
    """What the dialect states of the interface, for `Link(..., wire=...)`."""
    from drivers.link.link import WireSettings

    stated = dialect.link
    return WireSettings(
        termination=stated.termination,
        baud_rate=stated.baud_rate,
        query_delay_s=stated.query_delay_s,
        write_delay_s=stated.write_delay_s,
    )
