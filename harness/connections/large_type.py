"""Words in large plain type: block letters made of one character, readable without colour.

For a verdict that is to be read from two steps away, hands busy. Five rows of five cells a
letter, so that CONDITIONAL fits on one line of a terminal of 80 columns.
"""

from __future__ import annotations

WIDEST = 78
ROWS = 5
_CELLS = 5
_LETTERS = {
    "A": "_###_ #___# ##### #___# #___#",
    "B": "####_ #___# ####_ #___# ####_",
    "C": "_#### #____ #____ #____ _####",
    "D": "####_ #___# #___# #___# ####_",
    "E": "##### #____ ####_ #____ #####",
    "F": "##### #____ ####_ #____ #____",
    "G": "_#### #____ #__## #___# _####",
    "H": "#___# #___# ##### #___# #___#",
    "I": "_###_ __#__ __#__ __#__ _###_",
    "J": "__### ___#_ ___#_ #__#_ _##__",
    "K": "#___# #__#_ ###__ #__#_ #___#",
    "L": "#____ #____ #____ #____ #####",
    "M": "#___# ##_## #_#_# #___# #___#",
    "N": "#___# ##__# #_#_# #__## #___#",
    "O": "_###_ #___# #___# #___# _###_",
    "P": "####_ #___# ####_ #____ #____",
    "Q": "_###_ #___# #_#_# #__#_ _##_#",
    "R": "####_ #___# ####_ #__#_ #___#",
    "S": "_#### #____ _###_ ____# ####_",
    "T": "##### __#__ __#__ __#__ __#__",
    "U": "#___# #___# #___# #___# _###_",
    "V": "#___# #___# #___# _#_#_ __#__",
    "W": "#___# #___# #_#_# ##_## #___#",
    "X": "#___# _#_#_ __#__ _#_#_ #___#",
    "Y": "#___# _#_#_ __#__ __#__ __#__",
    "Z": "##### ___#_ __#__ _#___ #####",
}


def large(words: str, mark: str = "#") -> list[str]:
    """The lines of `words` in block letters of the character `mark`.

    Words stand side by side where that is no wider than `WIDEST`, else below each other with an
    empty line between. Case does not matter.

    Raises:
        ValueError: there is a sign that has no large form, or a word that is too wide.
    """
    unknown = sorted({sign for sign in words.upper() if sign not in _LETTERS and sign != " "})
    if unknown:
        raise ValueError(f"{unknown[0]!r} has no large form: only letters and blanks do")
    rows: list[str] = []
    for number, group in enumerate(_fitting(words.upper().split())):
        if number:
            rows.append("")
        rows += [_row(group, row).replace("#", mark).rstrip() for row in range(ROWS)]
    return rows


def _fitting(words: list[str]) -> list[str]:
    """The words, joined as long as the line is not too wide."""
    lines: list[str] = []
    for word in words:
        if _width(word) > WIDEST:
            raise ValueError(f"{word!r} is too wide for {WIDEST} columns in large type")
        if lines and _width(f"{lines[-1]} {word}") <= WIDEST:
            lines[-1] = f"{lines[-1]} {word}"
        else:
            lines.append(word)
    return lines


def _width(text: str) -> int:
    return len(text) * (_CELLS + 1) - 1


def _row(text: str, row: int) -> str:
    blank = "_" * _CELLS
    cells = [_LETTERS[sign].split()[row] if sign != " " else blank for sign in text]
    return " ".join(cells).replace("_", " ")
