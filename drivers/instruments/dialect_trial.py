"""Trying a dialect on a live instrument, step by step, with all that was said on the way."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field

import numpy as np

from drivers.dialects.dialect import (
    Dialect,
    NetworkAnalyzerDialect,
    PowerMeterDialect,
    SignalGeneratorDialect,
    SignalSwitchDialect,
    SpectrumAnalyzerDialect,
    ThermometerDialect,
    wire_settings,
)
from drivers.errors import AnswerError, InputError, LinkError, TarelineError
from drivers.instruments.earlier_readings import (
    FEWEST_IN_A_ROW,
    UNSWEPT_HINT,
    EarlierReadings,
    longest_run,
)
from drivers.instruments.instrument import Instrument, means_no_error
from drivers.instruments.network_analyzer import NetworkAnalyzer
from drivers.instruments.power_meter import PowerMeter
from drivers.instruments.rf_source import RfSource
from drivers.instruments.signal_generator import SignalGenerator
from drivers.instruments.signal_switch import SignalSwitch
from drivers.instruments.spectrum_analyzer import TrackingSpectrumAnalyzer
from drivers.instruments.thermometer import Thermometer
from drivers.instruments.tracking_source import TrackingSource
from drivers.link.guard import Guard
from drivers.link.link import Link
from drivers.link.traffic_log import RECEIVED, SENT, TrafficLog, abbreviated
from drivers.stop_signals import StopSignals
from drivers.sweep import (
    S_PARAMETERS,
    RepeatedReadingsError,
    SuspectSweepError,
    Sweep,
    SweepSettings,
)

READINGS_TO_COMPARE = 4
"""Of a power meter, one after the other."""
RF_CHANGES_BY = 0.1
"""Ratio to the readings before, below which RF was off; noise hardly falls so deep in a row."""
GOOD, FAILED = "good", "failed"
OTHER_BAND = (
    "try another band with --start, --stop, --points, --power, --averages or --if-bandwidth; or "
    "correct what the dialect says that the instrument takes"
)


@dataclass
class TrialStep:
    """One step of a trial, and what was said in it."""

    name: str
    verdict: str = GOOD
    said: list[tuple[str, str]] = field(default_factory=list)
    """Every message with its direction, as in the traffic log."""
    finding: str = ""
    """What the step showed, or what went wrong."""
    hint: str = ""

    def messages(self, direction: str) -> list[str]:
        """What was sent (`->`) or received (`<-`)."""
        return [text for way, text in self.said if way == direction]

    def essence(self, dialect: Dialect) -> list[tuple[str, str]]:
        """What was said, without the error queue's saying that it is empty."""
        kept: list[tuple[str, str]] = []
        for way, text in self.said:
            is_answer = way == RECEIVED and kept and kept[-1] == (SENT, dialect.next_error)
            if is_answer and means_no_error(text, dialect):
                kept.pop()
            else:
                kept.append((way, text))
        return kept


@dataclass(frozen=True)
class Trial:
    """What to try: one role at one address."""

    resource: str
    dialect: Dialect
    settings: SweepSettings
    maximum_power_dbm: float
    traces: tuple[str, ...] = S_PARAMETERS
    channels: tuple[str, ...] = ()
    """Of a switch."""
    timeout_s: float = 5.0
    visa_library: str = "@py"
    name: str = ""
    """What people call the dialect."""
    zero: bool = False
    """Whether a power meter is zeroed; no power may be at its sensor."""
    held: tuple[int, ...] = ()
    """Descriptors of locks on the instrument, which the guard then holds as well."""

    def run(self) -> list[TrialStep]:
        """Carry the trial out; whatever fails is told in its step. RF is off at the end."""
        with StopSignals() as stop:
            return _Walk(self, stop).steps


class _Recorder(TrafficLog):
    """Hands every message to the step that is under way."""

    def __init__(self, current: Callable[[], TrialStep]) -> None:
        super().__init__(io.StringIO())
        self._current = current

    def sent(self, resource: str, message: bytes) -> None:
        self._current().said.append((SENT, abbreviated(message)))

    def received(self, resource: str, answer: bytes) -> None:
        self._current().said.append((RECEIVED, abbreviated(answer)))


class _Walk:
    """One trial while it goes on."""

    def __init__(self, trial: Trial, stop: StopSignals) -> None:
        self.steps = [TrialStep("identify")]
        self._trial = trial
        link = Link(
            trial.resource,
            timeout_s=trial.timeout_s,
            visa_library=trial.visa_library,
            wire=wire_settings(trial.dialect),
            log=_Recorder(lambda: self.steps[-1]),
        )
        instrument, work = self._role(link)
        instrument.watcher = self._begin
        with ExitStack() as stack:
            stack.callback(link.close)
            guard = None
            try:
                with self._told(instrument):
                    self.steps[0].finding = instrument.open()[0]
                    if isinstance(instrument, RfSource):
                        guard = stack.enter_context(self._guard(instrument))
                    work()
            finally:
                with stop.making_safe():
                    if self._made_safe(instrument) and guard is not None:
                        guard.dismiss()

    def _guard(self, source: RfSource) -> Guard:
        """Switches RF off if this program is killed, or could not show that it is off."""
        library = self._trial.visa_library
        return Guard(source.link.resource, source.safe_commands, source.link.wire,
                     visa_library=library, inherited=self._trial.held)  # fmt: skip

    def _made_safe(self, instrument: Instrument) -> bool:
        """RF off whatever happened, as a step of its own; whether that is sure."""
        if instrument.was_opened and isinstance(instrument, RfSource):
            self._begin("RF off at the end")
            instrument.watcher = None
            with self._told(instrument):
                instrument.make_safe()
        return self.steps[-1].verdict == GOOD

    def _begin(self, name: str) -> None:
        last = self.steps[-1]
        if not (last.said or last.finding):
            self.steps.pop()
        self.steps.append(TrialStep(name))

    def _note(self, finding: str) -> None:
        self.steps[-1].finding = finding

    @contextmanager
    def _told(self, instrument: Instrument) -> Iterator[None]:
        """Put what goes wrong into the step in which it does."""
        try:
            yield
        except TarelineError as error:
            step = self.steps[-1]
            step.verdict, step.finding, step.hint = FAILED, error.what, error.hint
            if isinstance(error, InputError):
                step.hint = OTHER_BAND
            if isinstance(error, LinkError) and instrument.was_opened:
                step.hint = self._complaints(instrument) or step.hint

    def _complaints(self, instrument: Instrument) -> str:
        """What the instrument has against a question that it did not answer."""
        instrument.watcher = None
        asked = (self.steps[-1].messages(SENT) or [""])[-1]
        try:
            instrument.connect_afresh()
            instrument.check_errors(f"about {asked!r}")
        except TarelineError as error:
            return error.what
        return ""

    def _role(self, link: Link) -> tuple[Instrument, Callable[[], None]]:
        """The driver of the role, and what is tried with it once it is open."""
        trial, ceiling_dbm = self._trial, self._trial.maximum_power_dbm
        dialect = trial.dialect
        if isinstance(dialect, NetworkAnalyzerDialect):
            analyzer = NetworkAnalyzer(
                link, dialect, maximum_power_dbm=ceiling_dbm, traces=trial.traces
            )
            return analyzer, lambda: self._sweep(analyzer)
        if isinstance(dialect, SpectrumAnalyzerDialect):
            spectrum = TrackingSpectrumAnalyzer(link, dialect, maximum_power_dbm=ceiling_dbm)
            return spectrum, lambda: self._sweep(TrackingSource(spectrum))
        if isinstance(dialect, SignalGeneratorDialect):
            generator = SignalGenerator(link, dialect, maximum_power_dbm=ceiling_dbm)
            return generator, lambda: self._generate(generator)
        if isinstance(dialect, PowerMeterDialect):
            meter = PowerMeter(link, dialect)
            return meter, lambda: self._read(meter)
        if isinstance(dialect, SignalSwitchDialect):
            switch = SignalSwitch(link, dialect)
            return switch, lambda: self._switch(switch)
        if isinstance(dialect, ThermometerDialect):
            thermometer = Thermometer(link, dialect)
            return thermometer, lambda: self._read_temperature(thermometer)
        raise AssertionError("a loaded dialect has a role")

    def _sweep(self, source: NetworkAnalyzer | TrackingSource) -> None:
        self._begin("band")
        source.configure(self._trial.settings)
        source.rf_on()
        source.sweep()
        sweep = source.sweep()
        source.rf_off()
        self._begin("sweep without RF")
        try:
            without = source.sweep()
        except RepeatedReadingsError:
            raise
        except SuspectSweepError as error:
            without = error.sweep
        source.rf_on()
        self._begin("sweep with RF again")
        _require_prompt(sweep, without, source.sweep())
        source.rf_off()
        self._begin("levels")
        with np.errstate(divide="ignore"):
            level_db = 20.0 * np.log10(np.abs(sweep.readings))
        ranges = ", ".join(
            f"{name} {np.min(row):.2f} to {np.max(row):.2f} dB"
            for name, row in zip(sweep.traces, level_db, strict=True)
        )
        self._note(f"{sweep.readings.shape[1]} points; {ranges}")

    def _generate(self, generator: SignalGenerator) -> None:
        self._begin("band")
        settings = self._trial.settings
        generator.set_level(settings.power_dbm)
        for frequency_hz in (settings.stop_hz, settings.start_hz):
            generator.require_frequencies(frequency_hz)
            generator.set_frequency(frequency_hz)
        generator.rf_on()
        generator.rf_off()
        generator.step("errors")
        generator.check_errors("at the end")

    def _read(self, meter: PowerMeter) -> None:
        self._begin("band")
        meter.require_frequencies(self._trial.settings.start_hz)
        meter.set_frequency(self._trial.settings.start_hz)
        meter.set_averages(self._trial.settings.averages)
        if self._trial.zero:
            meter.zero()
        readings = [meter.read() for _ in range(READINGS_TO_COMPARE)]
        reading = readings[-1]
        levels_mw = np.array([one.milliwatts for one in readings])
        row = levels_mw.astype(complex)[np.newaxis]
        earlier = EarlierReadings(is_point_by_point=True)
        what, hint = earlier.take(("its readings",), row, None)
        if what:
            raise AnswerError(what, where=meter.where, hint=hint)
        power_mw = reading.milliwatts
        level = f" ({10.0 * np.log10(power_mw):.2f} dBm)" if power_mw > 0.0 else ""
        self._note(f"{power_mw:.4g} mW{level}{', overloaded' if reading.overloaded else ''}")
        meter.step("errors")
        meter.check_errors("while it read")

    def _switch(self, switch: SignalSwitch) -> None:
        for channel in self._trial.channels:
            switch.select(channel)
        switch.release()

    def _read_temperature(self, thermometer: Thermometer) -> None:
        self._begin("read")
        self._note(f"{thermometer.read_c():.2f} °C")
        thermometer.step("errors")
        thermometer.check_errors("while it read")


def _require_prompt(before: Sweep, without: Sweep, again: Sweep) -> None:
    """Check that readings follow the source at once: with RF, without, and with it again.

    Raises:
        RepeatedReadingsError: they are those of a sweep before.
    """
    if np.array_equal(without.readings, before.readings):
        raise RepeatedReadingsError(
            "with RF off a sweep gave the very same numbers as before", without, hint=UNSWEPT_HINT
        )
    lost = np.abs(again.readings) < RF_CHANGES_BY * np.abs(before.readings)
    for name, row in zip(again.traces, lost, strict=True):
        length, where = longest_run(row)
        if length >= FEWEST_IN_A_ROW:
            raise RepeatedReadingsError(
                f"{length} points of {name} in a row, from point {where + 1} on, read as without "
                "RF in a sweep with it: they are those of the sweep before",
                again,
                hint=UNSWEPT_HINT,
            )
