"""The role of a spectrum analyzer with tracking generator."""

from __future__ import annotations

import time
from collections.abc import Callable

from drivers.dialect_roles import SpectrumAnalyzerDialect
from drivers.link import Link
from drivers.sweep import SCALAR
from drivers.swept import SweptInstrument


class TrackingSpectrumAnalyzer(SweptInstrument):
    """A spectrum analyzer whose tracking generator feeds what it measures.

    Its readings are levels (see `SweptInstrument.measure`) unless it normalizes by itself.
    """

    def __init__(
        self,
        link: Link,
        dialect: SpectrumAnalyzerDialect,
        *,
        maximum_power_dbm: float,
        clock: Callable[[], float] = time.time,
    ) -> None:
        super().__init__(
            link, dialect, maximum_power_dbm=maximum_power_dbm, traces=SCALAR, clock=clock
        )
