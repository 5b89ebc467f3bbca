"""What an operator types or scans at a prompt: Enter, a serial number, or a command.

A barcode reader types the serial number and presses Enter, as a person does. Lines that begin
with a slash are commands and are the same at every prompt.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from drivers.errors import InputError
from drivers.toml_file import nearest

LONGEST_SERIAL = 64


class OperatorCommand(Enum):
    """What can be asked for at any prompt: its word, and what it does."""

    SKIP = ("/skip", "leave this item out for now")
    REDO = ("/redo", "measure this item (or the last one) from the start, in a new file")
    SURE = ("/sure", "what is doubted is as it should be; kept with the readings")
    NOTE = ("/note", "/note TEXT keeps a remark in the run file")
    BY_HAND = ("/by-hand", "wait for Enter from now on, instead of watching the connection")
    STOP = ("/stop", "end in order (of a lot with a check of the zero, if you like); go on later")
    HELP = ("/help", "show this")

    def __init__(self, word: str, does: str) -> None:
        self.word = word
        self.does = does


@dataclass(frozen=True)
class OperatorLine:
    """One line as it was meant: a command, or text that may be empty (Enter alone)."""

    text: str = ""
    command: OperatorCommand | None = None


def parse_line(line: str) -> OperatorLine:
    """What a typed or scanned line means.

    Raises:
        InputError: a command that there is not, or a note without words.
    """
    text = line.strip()
    if not text.startswith("/"):
        return OperatorLine(text)
    word, _, rest = text.partition(" ")
    known = {command.word: command for command in OperatorCommand}
    command = known.get(word.lower())
    if command is None:
        raise InputError(f"there is no command {word!r}; {nearest(word, list(known))}")
    if command is OperatorCommand.NOTE and not rest.strip():
        raise InputError("a note needs words", hint="/note connector B looked worn")
    return OperatorLine(rest.strip(), command)


def help_lines() -> list[str]:
    """The commands, one a line."""
    width = max(len(command.word) for command in OperatorCommand)
    return [f"{command.word:<{width}}  {command.does}" for command in OperatorCommand]


def checked_serial(text: str) -> str:
    """A serial number without the blanks around it.

    Raises:
        InputError: it is empty, too long, or holds what no label has, such as a misread
            barcode's control characters.
    """
    serial = text.strip()
    if not serial:
        raise InputError("that is an empty serial number", hint="scan or type it again")
    if any(unicodedata.category(sign).startswith("C") for sign in serial):
        raise InputError(
            "that serial number holds a control character, as misread barcodes do",
            hint="scan or type it again",
        )
    if "\ufffd" in serial:
        raise InputError(
            "that serial number holds a sign that cannot be read",
            hint="scan or type it again; the reader should send UTF-8 or plain ASCII",
        )
    if len(serial) > LONGEST_SERIAL:
        raise InputError(
            f"that serial number has {len(serial)} signs; at most {LONGEST_SERIAL} are taken",
            hint="were two labels scanned in one go? Scan or type it again",
        )
    return serial


def listed_serials(text: str, where: str) -> list[str]:
    """The serial numbers of a list, one a line; empty lines and those that begin with # are none.

    Raises:
        InputError: a line is no serial number, or one stands there twice; names the line.
    """
    found: dict[str, int] = {}
    for number, line in _numbered(text):
        try:
            serial = checked_serial(line)
        except InputError as error:
            raise InputError(error.what, where=f"{where}, line {number}", hint=error.hint) from None
        if serial in found:
            raise InputError(
                f"the serial number {serial!r} stands there twice",
                where=f"{where}, lines {found[serial]} and {number}",
                hint="take one out",
            )
        found[serial] = number
    if not found:
        raise InputError("there is no serial number in the list", where=where)
    return list(found)


def _numbered(text: str) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(text.removeprefix("\ufeff").split("\n"), start=1):
        stripped = line.strip()
        if stripped and not stripped.startswith("#"):
            yield number, stripped


def name_for_files(serial: str) -> str:
    """A name for files from a serial number: what file systems may not take becomes `%XX`.

    Two serial numbers never get the same name; letters that differ in case only stay so.
    """
    plain = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_."
    name = "".join(
        sign if sign in plain else "".join(f"%{byte:02X}" for byte in sign.encode())
        for sign in serial
    )
    return f"%2E{name[1:]}" if name.startswith(".") else name


class Asked(Exception):  # noqa: N818  (a wish, no error)
    """At a prompt the operator asked for something else than to go on."""

    def __init__(self, command: OperatorCommand) -> None:
        super().__init__(command.word)
        self.command = command
