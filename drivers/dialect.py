"""Dialects: tables of the commands that one kind of instrument understands."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Literal

from pydantic import Field

from drivers.errors import InputError
from drivers.toml_file import Table, parse_table, require


class Setting(Table):
    """How one setting is made and read back; `{value}` stands for the number."""

    set: str = Field(pattern=r"\{value\}")
    get: str = Field(pattern=r"\?")


class Settings(Table):
    """The settings of a band."""

    power_dbm: Setting
    start_hz: Setting
    stop_hz: Setting
    points: Setting
    if_bandwidth_hz: Setting


class SweepCommands(Table):
    """How one sweep is started, awaited, aborted and read."""

    time: str
    start: str
    finished: str
    finished_bit: int = Field(ge=0, le=15)
    abort: str
    read: str = Field(pattern=r"\{trace\}")


class NetworkAnalyzerDialect(Table):
    """Everything the network analyzer driver says to an instrument."""

    role: Literal["network analyzer"]
    standard: str
    prepare: tuple[str, ...]
    byte_order: Literal["big", "little"]
    next_error: str
    rf_on: str
    rf_off: str
    rf_state: str
    settings: Settings
    sweep: SweepCommands


def shipped_dialects() -> list[str]:
    """Names of the dialects that come with Tareline."""
    folder = resources.files("drivers") / "dialects"
    return sorted(
        entry.name.removesuffix(".toml")
        for entry in folder.iterdir()
        if entry.name.endswith(".toml")
    )


def load_dialect(name: str, *, relative_to: Path = Path()) -> NetworkAnalyzerDialect:
    """Read a dialect by its shipped name, or by the path of a TOML file.

    Raises:
        InputError: there is no such dialect, or the table is wrong; names every mistake.
    """
    if name in shipped_dialects():
        text = (resources.files("drivers") / "dialects" / f"{name}.toml").read_text("utf-8")
        return require(parse_table(text, NetworkAnalyzerDialect, f"dialect {name}"))
    path = relative_to / name
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"the dialect {name!r} is neither shipped nor a file that can be read",
            where=str(path),
            hint=f"use one of {', '.join(shipped_dialects())}, or the path of a TOML file",
        ) from error
    return require(parse_table(text, NetworkAnalyzerDialect, str(path)))
