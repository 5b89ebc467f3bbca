"""What a person at the bench is asked to do: what, which end, which torque, and what to mind now.

Pure words: each prompt is a few short lines, the action first, so that it reads well at 80
columns and through a screen reader. Signs stand beside words, never instead of them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from drivers.quantities import LENGTH_UNITS, TORQUE_UNITS
from harness.station.station import Station

RF_IS_OFF = (
    "RF is off while you work on a connection, and is kept below the station's maximum power."
)
CAUTIONS = (
    RF_IS_OFF,
    "Never leave a driven port open to an antenna: transmitting needs a licence and local rules.",
    "Clean and gauge connectors; tighten with a torque wrench, turning the nut, not the cable.",
    "Wear an ESD strap. Local codes and the instrument's manual decide, not this program.",
)
CLEAN = "Clean both ends first: every item until the next check depends on this joint."
TURN_THE_NUT = "Hold the cable still and turn only the nut; a turning pin wears both."
UNDO_WHOLLY = "Undo both ends all the way: only a fresh making tells how well it repeats."
NO_ANTENNA = "Leave no driven port open to an antenna."
_INCH_M = LENGTH_UNITS["in"]
_LENGTH = re.compile(r"(?<![\w.])(\d+(?:\.\d+)?)\s*(um|µm|mm|cm|m|in|ft)(?![\w/])")


def through_lines(station: Station, *, again: bool) -> list[str]:
    """How the leads are to be joined."""
    through = station.through
    how = f"with the adapter ({through.adapter})" if through else "directly to each other"
    return [f"{'Again, join' if again else 'Join'} the two leads {how}.", f"→ {torque(station)}"]


def item_lines(
    station: Station,
    item: str,
    insertion: int,
    of: int,
    *,
    ends: Sequence[str] = (),
    is_out: bool,
) -> list[str]:
    """How the item is to be inserted, or to be taken out and inserted again.

    `ends` are the markings at its two ends, that for the near lead first.
    """
    count = f"insertion {insertion} of {of}" if of >= insertion else f"insertion {insertion}"
    action = f"Put {item} between the leads" if is_out else f"Undo {item}, connect it again"
    if len(ends) == 2:
        which = f"End {ends[0]} to the near lead (port 1), end {ends[1]} to the far one (port 2)."
    else:
        which = "One end to the near lead (port 1), the other to the far one; always this way."
    return [f"{action} ({count}).", f"→ {which}", f"→ {torque(station)}"]


def switch_lines(station: Station, item: str, through_channel: str, item_channel: str) -> list[str]:
    """How through and item are to be connected behind a signal switch, for good."""
    what = f"the adapter ({station.through.adapter})" if station.through else "a direct joint"
    return [
        f"Connect {what} to channel {through_channel} of the switch and {item} to channel "
        f"{item_channel}; the switch does the rest.",
        f"→ {torque(station)}",
    ]


def torque(station: Station) -> str:
    """`SMA: 0.56 N m (5.0 in lbf).`, or that of each end where the leads differ."""
    leads = station.leads
    near = _torque_of(leads.connector, leads.torque_n_m)
    if leads.far_connector is None or leads.far_torque_n_m is None:
        return f"{near}."
    far = _torque_of(leads.far_connector, leads.far_torque_n_m)
    return f"At the near lead {near}; at the far one {far}."


def _torque_of(connector: str, torque_n_m: float) -> str:
    return f"{connector}: {torque_n_m:.2f} N m ({torque_n_m / TORQUE_UNITS['in lbf']:.1f} in lbf)"


def in_both_units(text: str) -> str:
    """A text with every metric length followed by inches, and every length in inches by mm.

    `RG-316 450 mm` becomes `RG-316 450 mm (17.7 in)`.
    """

    def both(found: re.Match[str]) -> str:
        number, unit = found.groups()
        length_m = float(number) * LENGTH_UNITS[unit]
        if unit not in ("in", "ft"):
            return f"{found[0]} ({length_m / _INCH_M:.3g} in)"
        other = f"{length_m:.3g} m" if length_m >= 1.0 else f"{1e3 * length_m:.3g} mm"
        return f"{found[0]} ({other})"

    return _LENGTH.sub(both, text)


class Cautions:
    """All cautions at the first prompt; later the one that matters now."""

    def __init__(self, about_rf: str = RF_IS_OFF) -> None:
        self._said_all = False
        self._first = about_rf

    def now(self, matters: str) -> list[str]:
        """The lines to show."""
        if self._said_all:
            return [f"! {matters}"]
        self._said_all = True
        return [f"! {caution}" for caution in (self._first, *CAUTIONS[1:])]
