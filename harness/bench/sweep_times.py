"""When through and item were swept, from which a bench tells the age of its zero."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.loss.loss import checks_of, group_means
from harness.analysis.loss.zero_limits import age_mark
from harness.run_file import Kind

TimesOf = Mapping[tuple[str, Kind, int], tuple[float, int]]
"""Mean Unix time of the sweeps that can be true, and how many, by band, kind and index."""


class SweepTimes:
    """Mean times of makings and insertions so far; of each only its sweeps that can be true."""

    def __init__(self, kept: TimesOf | None = None) -> None:
        self._means: dict[tuple[str, Kind], dict[int, tuple[float, int]]] = {}
        for (band, kind, index), mean in (kept or {}).items():
            self._means.setdefault((band, kind), {})[index] = mean

    def add(self, band: str, kind: Kind, index: int, times: Iterable[float]) -> None:
        """Take sweeps into account."""
        of = self._means.setdefault((band, kind), {})
        for time in times:
            mean, count = of.get(index, (time, 0))
            of[index] = mean + (time - mean) / (count + 1), count + 1

    def mean(self, band: str, kind: Kind) -> FloatArray:
        """Mean times by index, Unix s; empty while there is none."""
        of = self._means.get((band, kind), {})
        return np.array([of[index][0] for index in sorted(of)])

    def age_mark(self, oldest_s: float | None) -> str:
        """What the report will say of an old zero (`zero_limits.age_mark`) in some band."""
        for band, kind in self._means:
            makings, insertions = self.mean(band, "normalization"), self.mean(band, "insertions")
            if kind == "insertions" and len(makings) and len(insertions):
                check_time = group_means(makings, checks_of(makings, insertions))
                if mark := age_mark(check_time, insertions, oldest_s):
                    return mark
        return ""
