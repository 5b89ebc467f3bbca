"""Readings that came before: no receiver that sweeps reads the same numbers twice.

An instrument that takes the trigger and does not sweep, is read too early, or answers another
question than the one it was asked, hands over numbers that it had already. Noise tells them from
new ones: how improbable it is that a point repeats honestly follows from the step in which
readings are told, and from how often points did repeat while nothing was touched. Readings in
coarse steps may be equal, and are believed until they have shown that they move.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence

import numpy as np
from numpy.typing import NDArray

from drivers.instruments.reading_step import step_db

LEAST_NOISE_DB = 1e-4
"""Root mean square of a quiet receiver's noise (common practice, no source): steps far below it
cannot hide it."""
RARELY = 1e-12
"""The share of points that repeat by chance is never taken to be less."""
DECADES = 12.0
"""Readings are disbelieved where chance repeats so many of them once in 10 to the DECADES."""
MOST_KEPT = 100_000
"""Traces that are known again."""
FEWEST_IN_A_ROW = 3
"""Points of a swept trace; a meter that is triggered for each point may miss a single one."""
NUMBERS_OF_A_PHASOR = 2
"""Each with noise of its own."""
PAIRS_THAT_TELL = 10
"""Of sweeps with nothing touched in between; from so many on they tell what repeats honestly,
where steps are too coarse to tell it."""
LEAST_LEARNED = 0.1
"""The share of points that repeat is never taken for less than this from so few pairs."""

UNSWEPT_HINT = (
    "the instrument took the trigger and did not sweep, or was read before the sweep was over: "
    "look at the trigger source on the front panel (internal), and at `start`, `arm` and "
    "`completion` under [sweep] in the dialect (`busy_first` where it is idle for a moment)"
)
MIXED_UP_HINT = (
    "the query must name the trace ({trace} in `query` or `select` under [data] in the dialect, "
    "and under `names` another name for each); where it does, the instrument mixes up its answers"
)


class EarlierReadings:
    """What one instrument has answered so far."""

    def __init__(self, *, is_point_by_point: bool = False) -> None:
        """`is_point_by_point`: every point is a reading with a trigger of its own."""
        self._is_point_by_point = is_point_by_point
        self._digests: dict[int, None] = {}
        self._last: dict[Hashable, NDArray[np.complex128]] = {}
        self._latest: NDArray[np.complex128] = np.empty((0, 0), dtype=np.complex128)
        self._undisturbed: Hashable = None
        self._repeated: dict[tuple[Hashable, int], tuple[int, float]] = {}
        """Of each row of a band: how many pairs were seen, and the largest share that was equal."""

    def disturb(self) -> None:
        """What is read from now on may differ from what was: RF was off, or a setting changed."""
        self._undisturbed = None

    def take(
        self, names: Sequence[str], readings: NDArray[np.complex128], band: Hashable
    ) -> tuple[str, str]:
        """Remember a sweep's readings (S, P); why they cannot be its own, and what to do about it.

        Both are empty where nothing speaks against them.
        """
        digests = [hash(values.tobytes()) for values in readings]
        doubt = (
            self._one_for_another(names, readings, band, digests)
            or self._frozen(names, readings)
            or self._known(names, readings, band, digests)
            or self._partly_old(names, readings, band)
        )
        if not doubt:
            self._learn(readings, band)
            self._undisturbed = band
        self._last[band] = self._latest = readings
        self._digests.update(dict.fromkeys(digests))
        while len(self._digests) > MOST_KEPT:
            del self._digests[next(iter(self._digests))]
        return doubt or ("", "")

    def _one_for_another(
        self,
        names: Sequence[str],
        readings: NDArray[np.complex128],
        band: Hashable,
        digests: Sequence[int],
    ) -> tuple[str, str] | None:
        if len(set(digests)) == len(digests):
            return None
        for first in range(len(names)):
            alike = [
                other for other in range(first + 1, len(names)) if digests[first] == digests[other]
            ]
            if alike and self._decades(readings, first, band) >= DECADES:
                told = " and ".join(names[each] for each in (first, *alike))
                return f"{told} came as the very same numbers", MIXED_UP_HINT
        return None

    def _frozen(
        self, names: Sequence[str], readings: NDArray[np.complex128]
    ) -> tuple[str, str] | None:
        """Whether one number came again and again from point to point."""
        if not self._is_point_by_point and not np.any(readings[:, 0] == readings[:, -1]):
            return None
        before = readings[:, :1] * np.nan
        if self._is_point_by_point and self._latest.shape[:1] == before.shape[:1]:
            before = self._latest[:, -1:]
        same = readings == np.hstack([before, readings[:, :-1]])
        for row, name in enumerate(names):
            length, where = longest_run(same[row])
            if not self._is_point_by_point and length < same.shape[1] - 1:
                continue
            # what moves all points alike between sweeps says nothing of neighbours in one
            if length and length * -np.log10(_share_by_step(readings[row])) >= DECADES:
                which = f"point {where + 1} of {name} is"
                if length > 1:
                    which = f"{length} points of {name} in a row, from point {where + 1} on, are"
                return f"{which} the same number as the point before", UNSWEPT_HINT
        return None

    def _known(
        self,
        names: Sequence[str],
        readings: NDArray[np.complex128],
        band: Hashable,
        digests: Sequence[int],
    ) -> tuple[str, str] | None:
        for row, name in enumerate(names):
            if digests[row] in self._digests and self._decades(readings, row, band) >= DECADES:
                return f"{name} came as the very same numbers as in an earlier sweep", UNSWEPT_HINT
        return None

    def _partly_old(
        self, names: Sequence[str], readings: NDArray[np.complex128], band: Hashable
    ) -> tuple[str, str] | None:
        for before in self._last.values():
            if before.shape != readings.shape or not np.any(same := readings == before):
                continue
            for row, name in enumerate(names):
                length, where = longest_run(same[row] & _tells(readings[row]))
                if length < FEWEST_IN_A_ROW:
                    continue
                if self._decades(readings, row, band, length) >= DECADES:
                    return (
                        f"{length} points of {name} in a row, from point {where + 1} on, are those "
                        "of an earlier sweep",
                        UNSWEPT_HINT,
                    )
        return None

    def _decades(
        self, readings: NDArray[np.complex128], row: int, band: Hashable, length: int | None = None
    ) -> float:
        """How improbable it is that `length` points of a row (all that tell) repeat by chance."""
        values = readings[row]
        if length is None:
            length = int(np.count_nonzero(_tells(values)))
        pairs, largest = self._repeated.get((band, row), (0, 0.0))
        share = max(_share_by_step(values), largest)
        if share >= 1.0 and pairs >= PAIRS_THAT_TELL:
            # the pair that was most alike: drift moves all points of the others together
            share = max(largest, LEAST_LEARNED)
        return -length * float(np.log10(share))

    def _learn(self, readings: NDArray[np.complex128], band: Hashable) -> None:
        """Look how many points repeat from one sweep to the next while nothing is touched."""
        before = self._last.get(band)
        if self._undisturbed != band or before is None or before.shape != readings.shape:
            return
        for row, share in enumerate(np.mean(readings == before, axis=1).tolist()):
            pairs, largest = self._repeated.get((band, row), (0, 0.0))
            self._repeated[band, row] = pairs + 1, max(largest, share)


def _share_by_step(values: NDArray[np.complex128]) -> float:
    """The largest share of points (P,) that noise lets repeat, by the step of the readings.

    Two readings with normal noise s are rounded to the same step q with a chance of
    q / (2 s sqrt pi) where q is small.
    """
    numbers = NUMBERS_OF_A_PHASOR if np.any(values.imag) else 1
    share = step_db(values) / (2.0 * np.sqrt(np.pi) * LEAST_NOISE_DB)
    return float(np.clip(share, RARELY, 1.0)) ** numbers


def _tells(values: NDArray[np.complex128]) -> NDArray[np.bool_]:
    """Which readings (P,) are no stand-ins such as a clipped level: the smallest or the largest
    of all, where it comes more than once, may be one."""
    size = np.abs(values)
    tells = np.isfinite(size)
    for extreme in (np.nanmin(size, initial=np.inf), np.nanmax(size, initial=-np.inf)):
        if np.count_nonzero(is_extreme := size == extreme) > 1:
            tells &= ~is_extreme
    return np.asarray(tells)


def longest_run(chosen: NDArray[np.bool_]) -> tuple[int, int]:
    """How many of (P,) are chosen in a row at most, and the first of them."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], chosen, [False])).astype(np.int8)))
    lengths = edges[1::2] - edges[::2]
    if not len(lengths):
        return 0, 0
    longest = int(np.argmax(lengths))
    return int(lengths[longest]), int(edges[::2][longest])
