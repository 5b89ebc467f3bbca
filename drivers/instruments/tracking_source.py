"""Sweeps of a spectrum analyzer with tracking generator, as ratios to the generator's level."""

from __future__ import annotations

from drivers.instruments.spectrum_analyzer import TrackingSpectrumAnalyzer
from drivers.link.link import Link
from drivers.sweep import Sweep, SweepSettings


class TrackingSource:
    """A source of scalar sweeps; `configure` first, then `rf_on`, then `sweep`."""

    def __init__(self, analyzer: TrackingSpectrumAnalyzer) -> None:
        self.analyzer = analyzer
        self._power_dbm = 0.0

    @property
    def traces(self) -> tuple[str, ...]:
        """The transmission alone."""
        return self.analyzer.traces

    @property
    def source_link(self) -> Link:
        """The link to what sends RF."""
        return self.analyzer.source_link

    @property
    def safe_commands(self) -> tuple[str, ...]:
        """What ends a measurement and switches RF off, for a guard on a link of its own."""
        return self.analyzer.safe_commands

    def open(self) -> tuple[str, ...]:
        """Connect, identify, and bring the instrument into a known state with RF off."""
        return self.analyzer.open()

    def configure(self, settings: SweepSettings) -> None:
        """Set a band up and check what the instrument made of it."""
        self.analyzer.configure(settings)
        self._power_dbm = settings.power_dbm

    def sweep(self) -> Sweep:
        """One sweep: the level received over that of the tracking generator.

        Raises:
            SuspectSweepError: RF was found off, or readings cannot be true.
        """
        measured = self.analyzer.measure()
        readings = measured.readings
        if self.analyzer.reads_levels:
            readings = readings / 10.0 ** (self._power_dbm / 20.0)
        return self.analyzer.finished_sweep(readings, measured)

    def confirm(self) -> None:
        """Ask whether the settings in force are those set up, RF among them; changes nothing.

        Raises:
            SuspectSweepError: they are not; carries the last sweep.
        """
        self.analyzer.confirm()

    def rf_on(self) -> None:
        """Tracking generator on."""
        self.analyzer.rf_on()

    def rf_off(self) -> None:
        """Tracking generator off."""
        self.analyzer.rf_off()

    def recover(self) -> None:
        """Reconnect after a lost link, known state, RF off, the last band set up and checked."""
        self.analyzer.recover()

    def make_safe(self) -> None:
        """Abort, and RF off, on a fresh connection if need be."""
        self.analyzer.make_safe()

    def close(self) -> None:
        """Make safe, if it was ever opened, and end the connection."""
        self.analyzer.close()

    def instruments(self) -> tuple[dict[str, str], ...]:
        """Role, resource and identity."""
        return self.analyzer.instruments()
