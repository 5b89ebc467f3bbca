"""Which connectors a chain of parts ends in, by the names of its joints."""

from __future__ import annotations

import re
from collections.abc import Sequence

from harness.analysis.expected.catalogue_parts import Catalogue, Joint
from harness.analysis.expected.part_list import Part

CONNECTORS = ("RP-SMA", "SMA", "N", "BNC", "TNC", "MMCX", "MCX", "U.FL")
"""Those that a joint of the catalogue, or a lead, can be named for; the longer name first."""
_NAMED = re.compile(rf"({'|'.join(map(re.escape, CONNECTORS))})(?![A-Za-z0-9])", re.I)
_BETWEEN = re.compile(r"(\S+) to (\S+) adapter", re.I)


def connector_of(text: str) -> str:
    """The connector that a text begins with, as `CONNECTORS` spells it; empty where it is none."""
    match = _NAMED.match(text.strip())
    if match is None:
        return ""
    return next(name for name in CONNECTORS if name.lower() == match[1].lower())


def ends_of(chain: Sequence[Part], catalogue: Catalogue) -> tuple[str, str] | None:
    """The connectors at its two ends; None where they cannot be told.

    Raises:
        UnknownPartError: the catalogue has no such part.
    """
    joints = [
        entry
        for part in chain
        if isinstance(entry := catalogue.find(part.name), Joint)
        for _ in range(part.count)
    ]
    if not joints or (len(joints) == 1 and len(chain) > 1):
        return None
    near, far = _of_joint(joints[0].name)[0], _of_joint(joints[-1].name)[-1]
    return (near, far) if near and far else None


def _of_joint(name: str) -> tuple[str, str]:
    """Of an adapter between two kinds both, in the order of its name."""
    between = _BETWEEN.fullmatch(name)
    if between is None:
        return connector_of(name), connector_of(name)
    return connector_of(between[1]), connector_of(between[2])
