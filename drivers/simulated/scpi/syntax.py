"""Lexical rules of program messages: units, headers and data elements.

Follows IEEE 488.2 chapter 7 (program messages as a device listens to them). White space is
every byte from 0 to 32 but new line.
"""

import re
from dataclasses import dataclass
from enum import Enum
from typing import Final

from drivers.simulated.scpi.framing import stated_length
from drivers.simulated.scpi.scpi_errors import ScpiError

__all__ = ["WHITE_SPACE", "Element", "Kind", "Unit", "read_unit"]

WHITE_SPACE: Final = bytes(b for b in range(33) if b != 10).decode()
SPACE: Final = r"[\x00-\x09\x0b-\x20]"
LONGEST_MNEMONIC: Final = 12  # IEEE 488.2 7.6.1.4.1, 7.7.1.4 and 7.7.3.4, from memory
LONGEST_MANTISSA: Final = 255  # IEEE 488.2 7.7.2.4.1, from memory
LARGEST_EXPONENT: Final = 32000  # IEEE 488.2 7.7.2.4.1, from memory

_SKIP = re.compile(f"{SPACE}*")
_HEADER = re.compile(r"(?:\*[A-Za-z]\w*|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*)\??", re.ASCII)
_WORD = re.compile(r"[A-Za-z]\w*", re.ASCII)
_NUMBER = re.compile(
    rf"(?P<mantissa>[+-]?(?:\d+\.?\d*|\.\d+))(?:{SPACE}*[Ee]{SPACE}*(?P<exponent>[+-]?\d+))?",
    re.ASCII,
)
_SUFFIX = re.compile(r"/?[A-Za-z]+(?:-?\d)?(?:[./][A-Za-z]+(?:-?\d)?)*(?![\w.])", re.ASCII)
_BASED = re.compile(r"#(?:[Hh]([0-9A-Fa-f]+)|[Qq]([0-7]+)|[Bb]([01]+))(?!\w)", re.ASCII)
_STRING = re.compile(r"\"(?:[^\"]|\"\")*\"|'(?:[^']|'')*'")
_EXPRESSION = re.compile(r"[()\"']")
_MISPLACED = frozenset("\"'(#+-.?*:0123456789_")


class Kind(Enum):
    """The kinds of program data of IEEE 488.2 7.7; the value is the error "... not allowed"."""

    NUMBER = -128
    WORD = -148
    STRING = -158
    BLOCK = -168
    EXPRESSION = -178


@dataclass(frozen=True, slots=True)
class Element:
    """One program data element.

    `text` is the word, the mantissa, the string without its quotes, or the expression with its
    parentheses; `data` the bytes of a block; `exponent`, `suffix` and `base` belong to numbers.
    """

    kind: Kind
    text: str = ""
    data: bytes = b""
    exponent: int = 0
    suffix: str = ""
    base: int = 10


@dataclass(frozen=True, slots=True)
class Unit:
    """One program message unit: its header in capitals (no `?`, no leading colon), its data.

    `spans` says where each element stands in the message.
    """

    header: str
    is_query: bool
    is_common: bool
    is_absolute: bool
    elements: tuple[Element, ...]
    spans: tuple[slice, ...] = ()


def read_unit(text: str, start: int) -> tuple[Unit, int]:
    """Read the message unit that begins at `start`.

    `text` is the message without its terminator, one character a byte (Latin-1). Returns the
    unit and the position after it: at its `;`, or at the end of `text`. Raises ScpiError (a
    command error, -1xx) when the unit breaks the grammar.
    """
    position = _skip(text, start)
    match = _HEADER.match(text, position)
    if match is None:
        raise _no_header(text, position)
    header = match[0]
    after = match.end()
    position = _skip(text, after)
    at_end = position == len(text) or text[position] == ";"
    if not at_end and position == after:
        raise _no_separator(header, text[after])
    is_query = header.endswith("?")
    is_common = header[0] == "*"
    is_absolute = header[0] == ":"
    header = header.rstrip("?").lstrip(":").upper()
    if len(header) > LONGEST_MNEMONIC:
        for mnemonic in header.lstrip("*").split(":"):
            if len(mnemonic) > LONGEST_MNEMONIC:
                raise ScpiError(-112, mnemonic)
    elements: list[Element] = []
    spans: list[slice] = []
    while not at_end:
        begin = position
        element, position = _read_element(text, begin)
        elements.append(element)
        spans.append(slice(begin, position))
        position = _skip(text, position)
        at_end = position == len(text) or text[position] == ";"
        if not at_end:
            if text[position] != ",":
                raise _unexpected(text[position], -103, f"after the data of {header}")
            position = _skip(text, position + 1)
    unit = Unit(header, is_query, is_common, is_absolute, tuple(elements), tuple(spans))
    return unit, position


def _skip(text: str, position: int) -> int:
    if position < len(text) and text[position] > " ":
        return position
    match = _SKIP.match(text, position)
    return match.end() if match else position


def _no_header(text: str, position: int) -> ScpiError:
    if position == len(text) or text[position] == ";":
        return ScpiError(-102, "empty message unit")
    return _unexpected(text[position], -110, "where a header should begin")


def _no_separator(header: str, character: str) -> ScpiError:
    if character == ",":
        return ScpiError(-103, f"comma after {header}")
    return _unexpected(character, -111, f"after {header}")


def _unexpected(character: str, number: int, where: str) -> ScpiError:
    """Name `number` for a character of the grammar that is out of place, -101 for any other."""
    if character.isascii() and (character.isalnum() or character in _MISPLACED or character == ","):
        return ScpiError(number, f"{character} {where}")
    return ScpiError(-101, f"{character} {where}")


def _read_element(text: str, start: int) -> tuple[Element, int]:
    character = text[start] if start < len(text) else ""
    if character in ("", ",", ";"):
        raise ScpiError(-102, "data missing at a comma")
    if character in "\"'":
        return _read_string(text, start)
    if character == "(":
        return _read_expression(text, start)
    if character == "#":
        return _read_hash(text, start)
    if character in "+-.0123456789":
        return _read_number(text, start)
    match = _WORD.match(text, start)
    if match is None:
        raise _unexpected(character, -102, "where data should begin")
    if len(match[0]) > LONGEST_MNEMONIC:
        raise ScpiError(-144, match[0])
    return Element(Kind.WORD, match[0].upper()), match.end()


def _read_string(text: str, start: int) -> tuple[Element, int]:
    match = _STRING.match(text, start)
    if match is None:
        raise ScpiError(-151, "closing quote missing")
    quote = text[start]
    content = match[0][1:-1].replace(quote * 2, quote)
    if not content.isascii():
        raise ScpiError(-151, "a character beyond ASCII")
    return Element(Kind.STRING, content), match.end()


def _read_expression(text: str, start: int) -> tuple[Element, int]:
    depth = 0
    position = start
    while match := _EXPRESSION.search(text, position):
        position = match.end()
        if match[0] == "(":
            depth += 1
        elif match[0] == ")":
            depth -= 1
            if depth == 0:
                return Element(Kind.EXPRESSION, text[start:position]), position
        else:
            _, position = _read_string(text, match.start())
    raise ScpiError(-171, "closing parenthesis missing")


def _read_number(text: str, start: int) -> tuple[Element, int]:
    match = _NUMBER.match(text, start)
    if match is None:
        raise ScpiError(-121, f"{text[start]} without digits")
    mantissa, exponent_text = match["mantissa"], match["exponent"] or "0"
    if len(mantissa) > LONGEST_MANTISSA:
        digits = mantissa.lstrip("+-").replace(".", "").lstrip("0")
        if len(digits) > LONGEST_MANTISSA:
            raise ScpiError(-124, f"{len(digits)} digits")
    digits = exponent_text.lstrip("+-0") or "0"
    if len(digits) > 5 or int(digits) > LARGEST_EXPONENT:
        raise ScpiError(-123, exponent_text[:20])
    exponent = -int(digits) if exponent_text[0] == "-" else int(digits)
    position = match.end()
    suffix_start = _skip(text, position)
    suffix = _SUFFIX.match(text, suffix_start)
    if suffix is None:
        if position < len(text) and (text[position] in "._" or text[position].isalnum()):
            raise ScpiError(-121, f"{text[position]} after {match[0][:40]}")
        return Element(Kind.NUMBER, mantissa, exponent=exponent), position
    if len(suffix[0]) > LONGEST_MNEMONIC:
        raise ScpiError(-134, suffix[0][:40])
    element = Element(Kind.NUMBER, mantissa, exponent=exponent, suffix=suffix[0].upper())
    return element, suffix.end()


def _read_hash(text: str, start: int) -> tuple[Element, int]:
    """Read an arbitrary block (IEEE 488.2 7.7.6) or a non-decimal number (7.7.4)."""
    mark = text[start + 1 : start + 2]
    if mark and mark in "HhQqBb":
        match = _BASED.match(text, start)
        if match is None:
            raise ScpiError(-121, text[start : start + 20])
        base = {"H": 16, "Q": 8, "B": 2}[mark.upper()]
        digits = match[1] or match[2] or match[3]
        if len(digits) > LONGEST_MANTISSA:
            raise ScpiError(-124, f"{len(digits)} digits")
        return Element(Kind.NUMBER, digits, base=base), match.end()
    if mark == "0":
        return Element(Kind.BLOCK, data=text[start + 2 :].encode("latin-1")), len(text)
    length = stated_length(text[start + 1 : start + 11].encode("latin-1"))
    if length is None or length < 0:
        raise ScpiError(-161, "its length is not stated as # digit digits")
    first = start + 2 + int(mark)
    if first + length > len(text):
        raise ScpiError(-161, f"{length} bytes stated, {len(text) - first} sent")
    data = text[first : first + length].encode("latin-1")
    return Element(Kind.BLOCK, data=data), first + length
