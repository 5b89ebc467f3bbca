"""The role of a spectrum analyzer with tracking generator."""

from __future__ import annotations

import time
from collections.abc import Callable

from drivers.dialects.dialect_roles import SpectrumAnalyzerDialect
from drivers.instruments.swept import SweptInstrument
from drivers.link.link import Link
from drivers.sweep import SCALAR


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
