"""The one value that instruments hand over, what it was asked to be, and who hands it over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.errors import AnswerError

S_PARAMETERS = ("S11", "S21", "S12", "S22")
SCALAR = ("transmission",)
"""The traces of a set-up that knows magnitudes only."""
LARGEST_RATIO = 1e6
"""Of a reading: 120 dB of gain; SCPI's infinity and not-a-number are far above (SCPI-99 volume 1,
7.2.1.5)."""
SPACINGS = ("linear", "logarithmic")


@dataclass(frozen=True)
class SweepSettings:
    """What to sweep, and how."""

    start_hz: float
    stop_hz: float
    points: int
    power_dbm: float
    if_bandwidth_hz: float
    averages: int = 1
    """Readings of which each point is the mean."""
    spacing: str = "linear"
    """Of the points: "linear" or "logarithmic"."""

    def frequency_hz(self) -> NDArray[np.float64]:
        """The points, (P,)."""
        if self.spacing == "logarithmic":
            return np.geomspace(self.start_hz, self.stop_hz, self.points)
        return np.linspace(self.start_hz, self.stop_hz, self.points)


@dataclass(frozen=True)
class Sweep:
    """One pass over a band."""

    frequency_hz: NDArray[np.float64]
    """(P,)"""
    traces: tuple[str, ...]
    """S names, or "transmission" alone where only its magnitude is known."""
    readings: NDArray[np.complex128]
    """(S, P), ratios of wave quantities; magnitudes have no imaginary part."""
    time: float
    """Unix seconds at the end of the sweep, by the clock of the bench."""
    overloaded: bool = False
    """Whether the receiver says that it had too much power."""
    remarks: tuple[str, ...] = ()
    """What the driver noticed about these readings, for people."""


class SuspectSweepError(AnswerError):
    """A sweep came whole, but readings in it cannot be true; carries it as `sweep`."""

    def __init__(self, what: str, sweep: Sweep, *, where: str = "", hint: str = "") -> None:
        super().__init__(what, where=where, hint=hint)
        self.sweep = sweep


class RepeatedReadingsError(SuspectSweepError):
    """Readings are ones that the instrument had before: nobody knows what was swept when."""


class UnsettledError(SuspectSweepError):
    """Sweeps of one connection differ by more than noise and settling explain."""


def can_be_ratios(readings: NDArray[np.complex128]) -> NDArray[np.bool_]:
    """Which readings can be ratios of wave quantities: numbers, and none beyond any gain.

    Numbers with their bytes in the wrong order are as large as SCPI's infinity, too.
    """
    return np.asarray(np.abs(readings) < LARGEST_RATIO)


def require_usable(sweep: Sweep, where: str) -> None:
    """Check that every reading of a sweep can be one; a receiver that works never reads exactly
    nothing.

    Raises:
        SuspectSweepError: some cannot.
    """
    usable = can_be_ratios(sweep.readings) & (sweep.readings != 0.0)
    if nothing := [
        name for name, row in zip(sweep.traces, sweep.readings, strict=True) if not np.any(row)
    ]:
        one_way = set(nothing) <= {"S12", "S22"}
        raise SuspectSweepError(
            f"{' and '.join(nothing)} read exactly nothing at every point",
            sweep,
            where=where,
            hint="an instrument that measures in one direction only has no S12 and S22: state "
            'traces = ["S11", "S21"] in its table of the station file'
            if one_way
            else "does the instrument measure this trace, and is its receiver on? Look at the "
            "trace on its screen",
        )
    if not np.all(usable):
        bad = np.count_nonzero(~usable, axis=1)
        worst = int(np.argmax(bad))
        raise SuspectSweepError(
            f"{bad[worst]} of {usable.shape[1]} points of {sweep.traces[worst]} are no reading "
            "(not a number, nothing at all, or beyond any ratio)",
            sweep,
            where=where,
            hint="check the data format commands under `prepare` in the dialect",
        )


class SweepSource(Protocol):
    """Whatever sweeps a band: one instrument or several.

    Every method raises `InstrumentError` (or a subclass) when an instrument does not do what
    is asked.
    """

    @property
    def traces(self) -> tuple[str, ...]:
        """What every sweep of it holds."""

    def open(self) -> tuple[str, ...]:
        """Connect, identify, bring into a known state with RF off; returns the identities."""

    def configure(self, settings: SweepSettings) -> None:
        """Set a band up and check what was made of it; RF is off afterwards if that changed.

        Raises:
            InputError: not possible with these instruments, or above the ceiling of power;
                nothing was sent.
        """

    def sweep(self) -> Sweep:
        """One sweep of the band.

        Raises:
            SuspectSweepError: readings in it cannot be true.
        """

    def confirm(self) -> None:
        """Ask whether the settings in force are still those set up, RF among them.

        Sends questions only. For after the last sweep of a band: what was changed by hand at
        the front panel, or by an instrument that started again without the link being lost, is
        found so.

        Raises:
            SuspectSweepError: they are not, and what was swept since `configure` cannot be
                trusted; carries the last sweep.
        """

    def rf_on(self) -> None:
        """Source on, and make sure of it."""

    def rf_off(self) -> None:
        """Source off, and make sure of it."""

    def recover(self) -> None:
        """After a lost link: reconnect, known state, RF off, last band set up and read back."""

    def make_safe(self) -> None:
        """Abort, and RF off, on a fresh connection if need be; raises where it may be on."""

    def close(self) -> None:
        """Make safe, if it was ever opened, and end the connections."""

    def instruments(self) -> tuple[dict[str, str], ...]:
        """Role, resource and identity of each."""
