"""What an event says, for people: no class name, no line ends.

The run file keeps an error as it was raised: the name of its class, then what happened, where and
what to try, each on a line of its own. People get the same as sentences.
"""

from __future__ import annotations

import re

from drivers import errors

_OURS = {
    name
    for name, kind in vars(errors).items()
    if isinstance(kind, type) and issubclass(kind, errors.TarelineError)
}
_CLASS = re.compile(r"(?P<name>[A-Z]\w*(?:Error|Exception|Interrupt|Exit)): ?(?P<said>.*)", re.S)
_UNDER = {"where": "Where", "try": "Try"}


def event_text(text: str) -> str:
    """`text` of an event in one line: `no answer. Where: ... Try: ...`."""
    first, *others = _without_class(text).split("\n")
    said = first
    for line in others:
        label, colon, rest = line.strip().partition(":")
        told = f"{_UNDER[label]}: {rest.strip()}" if colon and label in _UNDER else line.strip()
        if told:
            stop = "" if said.endswith((".", "?", "!")) else "."
            said = f"{said.rstrip()}{stop} {told}"
    return said


def _without_class(text: str) -> str:
    """Our own classes say nothing to people; what another raised is nobody's message to them."""
    named = _CLASS.fullmatch(text)
    if named is None:
        return text
    name, said = named["name"], named["said"]
    if name in _OURS:
        return said
    return f"something unforeseen ({name}){': ' if said else ''}{said}"
