"""The network analyzer role: settings, sweeps, and RF that is off unless a sweep needs it."""

from __future__ import annotations

import time
from collections.abc import Callable

from drivers.dialects.dialect_roles import NetworkAnalyzerDialect
from drivers.instruments.swept import SweptInstrument
from drivers.link.link import Link
from drivers.sweep import S_PARAMETERS, SCALAR, Sweep


class NetworkAnalyzer(SweptInstrument):
    """A network analyzer at the end of a link; a source of sweeps.

    `traces` are the S-parameters that are read; one that knows magnitudes only has the single
    trace "transmission". Every method raises `InstrumentError` (or a subclass) when the
    instrument does not do what is asked.

    Raises:
        InputError: the dialect cannot tell several traces apart.
    """

    def __init__(
        self,
        link: Link,
        dialect: NetworkAnalyzerDialect,
        *,
        maximum_power_dbm: float,
        traces: tuple[str, ...] = S_PARAMETERS,
        clock: Callable[[], float] = time.time,
    ) -> None:
        scalar = dialect.data.form in ("db", "linear")
        dialect.require_told_apart(traces, link.resource)
        super().__init__(
            link,
            dialect,
            maximum_power_dbm=maximum_power_dbm,
            traces=SCALAR if scalar else traces,
            clock=clock,
        )

    def sweep(self) -> Sweep:
        """Make one sweep of the configured band and read every trace; see `rf_on`.

        Raises:
            SuspectSweepError: RF was found off, or readings cannot be true.
        """
        measured = self.measure()
        return self.finished_sweep(measured.readings, measured)
