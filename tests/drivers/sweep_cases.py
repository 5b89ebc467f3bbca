"""Every kind of source of sweeps, for the contract that all of them keep."""

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drivers.dialects.dialect import (
    NetworkAnalyzerDialect,
    PowerMeterDialect,
    SignalGeneratorDialect,
    SpectrumAnalyzerDialect,
    load_dialect,
    wire_settings,
)
from drivers.instruments.network_analyzer import NetworkAnalyzer
from drivers.instruments.power_meter import PowerMeter
from drivers.instruments.signal_generator import SignalGenerator
from drivers.instruments.spectrum_analyzer import TrackingSpectrumAnalyzer
from drivers.instruments.stepped_source import SteppedSource
from drivers.instruments.tracking_source import TrackingSource
from drivers.link.link import Link
from drivers.sweep import SCALAR
from tests.drivers.serial_bridge import serial_bridge

UNLIKE_DIALECTS = Path(__file__).parent / "unlike_dialects"
UNLIKE = ("centre-span", "plain-text", "listed")
CEILING_DBM = 0.0


@dataclass
class Case:
    """A source, and how to look at it from outside."""

    source: Any
    traffic: io.StringIO
    rf_query: str
    rf_on: tuple[str, ...]
    can_be_logarithmic: bool

    def rf_is_on(self):
        """What another client sees; on a serial line there is only this one."""
        link = self.source.source_link
        if link.resource.startswith("ASRL"):
            return link.query(self.rf_query) in self.rf_on
        other = Link(link.resource)
        other.open()
        answer = other.query(self.rf_query)
        other.close()
        return answer in self.rf_on

    def sent(self):
        """How many messages went out so far."""
        return self.traffic.getvalue().count("  ->  ")

    def is_scalar(self):
        return self.source.traces == SCALAR

    def switch(self):
        """The instrument that sends RF."""
        source = self.source
        return source.analyzer if hasattr(source, "analyzer") else getattr(source, "generator",
                                                                           source)  # fmt: skip


def linked(resource, dialect, log):
    return Link(resource, timeout_s=2.0, wire=wire_settings(dialect), log=log)


def analyzer(resource, name, log, folder=Path(), **options):
    dialect = load_dialect(name, NetworkAnalyzerDialect, relative_to=folder)
    return NetworkAnalyzer(
        linked(resource, dialect, log), dialect, maximum_power_dbm=CEILING_DBM, **options
    )


def made(kind, addresses, log, stack):
    """A source of the named kind, not opened yet."""
    if kind in ("vector", "vector S21", "vector serial"):
        resource = addresses["analyzer"]
        if kind.endswith("serial"):
            resource = stack.enter_context(serial_bridge(resource))
        options = {"traces": ("S21",)} if kind.endswith("S21") else {}
        return analyzer(resource, "scpi-99-network-analyzer", log, **options)
    if kind.startswith(("stepped", "tracking")):
        return scalar(kind, addresses, log, stack)
    name, _, serial = kind.partition(" ")
    resource = addresses[name]
    if serial:
        resource = stack.enter_context(serial_bridge(resource))
    return analyzer(resource, f"{name}.toml", log, UNLIKE_DIALECTS)


SCALAR_DIALECTS = {
    "generator": ("scpi-99-signal-generator", "hundredths"),
    "power_meter": ("scpi-99-power-meter", "text-meter"),
    "spectrum_analyzer": ("scpi-99-spectrum-analyzer", "volts"),
}
"""Of the bench's instruments, and the names of the unlike ones."""


def scalar(kind, addresses, log, stack):
    """A stepped or tracking source, in the bench's commands or unlike ones."""

    def part(role, model):
        standard, unlike = SCALAR_DIALECTS[role]
        is_unlike = "unlike" in kind
        resource = addresses[unlike if is_unlike else role]
        if kind.endswith("serial"):
            resource = stack.enter_context(serial_bridge(resource))
        words = load_dialect(
            f"{unlike}.toml" if is_unlike else standard, model,
            relative_to=UNLIKE_DIALECTS,
        )  # fmt: skip
        return linked(resource, words, log), words

    if kind.startswith("tracking"):
        link, words = part("spectrum_analyzer", SpectrumAnalyzerDialect)
        return TrackingSource(TrackingSpectrumAnalyzer(link, words, maximum_power_dbm=CEILING_DBM))
    link, words = part("generator", SignalGeneratorDialect)
    generator = SignalGenerator(link, words, maximum_power_dbm=CEILING_DBM)
    link, words = part("power_meter", PowerMeterDialect)
    return SteppedSource(generator, PowerMeter(link, words, floor_dbm=-65.0))


KINDS = (
    "vector", "vector S21", "vector serial", "stepped", "tracking",
    "stepped unlike", "stepped unlike serial", "tracking unlike", "tracking unlike serial",
    *UNLIKE, *(f"{name} serial" for name in UNLIKE),
)  # fmt: skip
