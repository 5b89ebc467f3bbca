"""Simulated scalar instruments, a switch and a thermometer unlike any standard; invented.

The generator feeds the meter through the line of `tests.drivers.unlike.line_response`, and so
does the spectrum analyzer's tracking generator its receiver. RF off leaves only the floor.
"""

import numpy as np

from drivers.simulated.scpi import (
    Choice,
    Command,
    Engine,
    Identity,
    Integer,
    Number,
    Query,
    setting,
)
from tests.drivers.unlike import FLOOR, HIGHEST_HZ, NOISE, SWEEPING, Unlike, line_response

SETTLING_S = 0.0005
SETTLING = 1
IMPEDANCE_OHM = 50.0
LOCKED = 1 << 2
MOVING = 3
SAMPLING = 4
BENCH_K = 296.25


def gain(frequency_hz, rf_on):
    """What comes through the line of what was sent, as a ratio of powers."""
    return np.abs(line_response("S21", frequency_hz)) ** 2 if rf_on else FLOOR**2


def named(model, **options):
    return Engine(Identity("Tareline", f"Simulated {model}", "0", "0"), [], **options)


class Stepped:
    """A generator without an error queue, levels in hundredths, and a meter that reads in dBm."""

    def __init__(self):
        self.frequency_hz, self.level_dbm, self.rf_on = 1e9, -30.0, False
        self.told_hz = 1e9
        self.random = np.random.default_rng(8)
        self.generator = named("generator in hundredths", reset=self.off)
        self.generator.add([
            *setting("FRGH", Number("", minimum=0.001, maximum=HIGHEST_HZ / 1e9, default=1.0),
                     get=lambda: self.frequency_hz / 1e9, set=self.tune),
            *setting("LV", Integer(minimum=-6000, maximum=500, default=-3000),
                     get=lambda: round(self.level_dbm * 100), set=self.set_level),
            Command("RF", self.switch, (Choice({"UP": True, "DOWN": False}),)),
            Query("RF", lambda: "CARRIER" if self.rf_on else "NO CARRIER"),
            Query("LOCK", lambda: 0 if self.generator.pending else LOCKED),
        ])  # fmt: skip
        self.meter = named("meter in dBm")
        self.meter.add([
            *setting("CORR:MHZ", Number("", minimum=1.0, maximum=HIGHEST_HZ / 1e6, default=1e3),
                     get=lambda: self.told_hz / 1e9, set=self.correct),
            Query("PWR", lambda: f"{self.reading_dbm():.9E};"),
            Command("NULL", lambda: None),
            Query("LEDS", lambda: 0),
            Query("FAULts", self.fault),
        ])  # fmt: skip

    def off(self):
        self.rf_on = False

    def tune(self, value_ghz):
        self.frequency_hz = value_ghz * 1e9
        self.generator.begin(SETTLING_S, operation_bit=SETTLING)

    def set_level(self, hundredths):
        self.level_dbm = hundredths / 100

    def switch(self, on):
        self.rf_on = on
        self.generator.begin(SETTLING_S, operation_bit=SETTLING)

    def correct(self, value_mhz):
        self.told_hz = value_mhz * 1e6

    def reading_dbm(self):
        level_dbm = self.level_dbm + 10.0 * np.log10(gain(self.frequency_hz, self.rf_on))
        return level_dbm + 8.7 * NOISE * self.random.standard_normal()

    def fault(self):
        error = self.meter.status.errors.pop()
        return "ALL WELL" if error.number == 0 else f"FAULT {error.text}"


class Tracking(Unlike):
    """Centre and span in kHz, traces in volts between blanks, a question held until it is done."""

    def __init__(self):
        super().__init__("analyzer in volts")
        self.reference_dbm, self.is_armed = 0.0, False
        kilohertz = Number("", minimum=0.0, maximum=HIGHEST_HZ / 1e3, default=1e6)
        self.engine.add([
            *setting("CEN", kilohertz, get=lambda: 0.5e-3 * (self.start_hz + self.stop_hz),
                     set=lambda value: self.move(value * 1e3, self.stop_hz - self.start_hz)),
            *setting("SPN", kilohertz, get=lambda: 1e-3 * (self.stop_hz - self.start_hz),
                     set=lambda value: self.move(0.5 * (self.start_hz + self.stop_hz),
                                                 value * 1e3)),
            *self.setting("PTS", "points", Integer(minimum=11, maximum=401, default=51)),
            *self.setting("RBW", "bandwidth_hz", self.number()),
            *self.level("TGLV"),
            *self.setting("RFLV", "reference_dbm", Number("", minimum=-90, maximum=30, default=0)),
            *self.setting("AVN", "count", Integer(minimum=1, maximum=99, default=1)),
            Command("TG", lambda on: self.change(rf_on=on), (Choice({"ON": True, "OFF": False}),)),
            Query("TG", lambda: "TG ON" if self.rf_on else "TG OFF"),
            Command("MANual", lambda: self.change(is_armed=True)),
            Command("LOCal", lambda: None),
            Command("TAKE", self.take),
            Command("DROP", self.engine.abort),
            Query("READY", self.ready),
            Query("SWT", lambda: 4.0 * self.count),
            Query("TRC", self.volts, (Choice("A", "B"),)),
            Query("OVLD", lambda: 0),
            Query("ER", lambda: f"{-self.engine.status.errors.pop().number:04d}"),
        ])  # fmt: skip

    def move(self, centre_hz, span_hz):
        self.change(start_hz=centre_hz - 0.5 * span_hz, stop_hz=centre_hz + 0.5 * span_hz)

    def take(self):
        if self.is_armed:
            self.result_hz = None
            self.engine.begin(0.004 * self.count, on_done=self.finish, operation_bit=SWEEPING)

    async def ready(self):
        await self.engine.idle()
        return "YES"

    def volts(self, _):
        size = np.abs(self.trace("S21"))  # refuses without a finished sweep
        watt = 1e-3 * 10.0 ** (self.level_dbm / 10.0) * size**2
        return " ".join(f"{value:.9E}" for value in np.sqrt(watt * IMPEDANCE_OHM))


def turret():
    """A switch of four ways, of which always one is joined; no error queue."""
    at = ["A"]
    engine = named("turret", reset=lambda: at.__setitem__(0, "A"))
    ways = Choice("A", "B", "C", "D")

    def turn(way):
        engine.begin(SETTLING_S, on_done=lambda: at.__setitem__(0, way), operation_bit=MOVING)

    engine.add([
        Command("TURN", turn, (ways,)),
        Query("JOINED", lambda way: "YES" if at[0] == way else "NO", (ways,)),
        Query("STATE", lambda: engine.status.operation.condition),
    ])  # fmt: skip
    return engine


def kelvin():
    """A thermometer that has nothing to tell before it was told to sample; no error queue."""
    taken_k = []
    engine = named("thermometer in kelvin", reset=taken_k.clear)

    def sample():
        taken_k.clear()
        engine.begin(SETTLING_S, on_done=lambda: taken_k.append(BENCH_K), operation_bit=SAMPLING)

    engine.add([
        Command("SAMPLE", sample),
        Query("STATE", lambda: engine.status.operation.condition),
        Query("HEAT", lambda: taken_k[0] if taken_k else 9.91e37),
    ])  # fmt: skip
    return engine
