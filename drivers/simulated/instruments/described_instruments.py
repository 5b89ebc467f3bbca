"""Every instrument that a bench's description names, ready to be served."""

from __future__ import annotations

from drivers.simulated.instruments.simulated_analyzer import SimulatedAnalyzer
from drivers.simulated.instruments.simulated_generator import SimulatedGenerator
from drivers.simulated.instruments.simulated_hand import SimulatedHand
from drivers.simulated.instruments.simulated_power_meter import SimulatedPowerMeter
from drivers.simulated.instruments.simulated_spectrum_analyzer import SimulatedSpectrumAnalyzer
from drivers.simulated.instruments.simulated_switch import SimulatedSwitch
from drivers.simulated.instruments.simulated_thermometer import SimulatedThermometer
from drivers.simulated.physics.simulated_bench import SimulatedBench
from drivers.simulated.scpi import Engine


def instruments_of(bench: SimulatedBench, version: str, epoch: float) -> dict[str, Engine]:
    """The instruments on a bench by role, and the hand.

    The leads are taken to be at whichever instruments measure: the signal generator or the
    tracking generator feeds the near one, the power meter or the spectrum analyzer reads the
    far one. `epoch` is the Unix time at which the bench starts.
    """
    description = bench.description
    engines: dict[str, Engine] = {}
    source = None
    if description.analyzer is not None:
        engines["analyzer"] = SimulatedAnalyzer(bench, description.analyzer, version).engine
    if description.generator is not None:
        source = SimulatedGenerator(bench, description.generator, version)
        engines["generator"] = source.engine
    if description.power_meter is not None:
        meter = SimulatedPowerMeter(bench, description.power_meter, source, version)
        engines["power_meter"] = meter.engine
    if description.spectrum_analyzer is not None:
        spectrum = SimulatedSpectrumAnalyzer(bench, description.spectrum_analyzer, source, version)
        engines["spectrum_analyzer"] = spectrum.engine
    if description.switch is not None:
        engines["switch"] = SimulatedSwitch(bench, description.switch, version).engine
    if description.thermometer is not None:
        thermometer = SimulatedThermometer(bench, description.thermometer, version)
        engines["thermometer"] = thermometer.engine
    engines["hand"] = SimulatedHand(bench, version, epoch).engine
    return engines
