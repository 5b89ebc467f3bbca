"""Signs that a terminal's encoding may lack, and what stands in for them."""

from __future__ import annotations

SPELT_OUT = {
    "±": "+/-",
    "×": "x",
    "✓": "+",
    "✗": "x",
    "–": "-",
    "…": "...",
    "·": "-",
    "→": "->",
    "█": "#",
    "∞": "inf",
    "µ": "u",
    "°": " deg ",
    "\ufffd": "?",
}


def shown(text: str, encoding: str) -> str:
    """`text` as `encoding` can show it; signs that it lacks are spelt out, others become `?`."""
    for sign, spelt in SPELT_OUT.items():
        if sign in text and not can_show(sign, encoding):
            text = text.replace(sign, spelt)
    return text.encode(encoding, "replace").decode(encoding)


def can_show(sign: str, encoding: str) -> bool:
    """Whether `encoding` has a sign."""
    try:
        sign.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True
