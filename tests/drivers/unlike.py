"""Simulated analyzers whose commands are unlike each other and unlike SCPI's command reference.

Each measures the same line (`line_response`) and reads nothing but its floor while RF is off.
Their commands are invented. `tests.drivers.unlike_bench` serves them.
"""

import numpy as np

from drivers.simulated.scpi import (
    Boolean,
    Choice,
    Command,
    Engine,
    Identity,
    Integer,
    Number,
    Query,
    Quoted,
    ScpiError,
    Text,
    setting,
)  # fmt: skip

SWEEP_TIME_S = 0.004
FLOOR = 1e-6
NOISE = 1e-6
"""Standard deviation of either part, relative: no receiver reads the same numbers twice."""
SIZES = {"S11": 0.01, "S21": 0.1, "S12": 0.1, "S22": 0.02}
LOWEST_HZ, HIGHEST_HZ, HIGHEST_DBM = 1e6, 6e9, 5.0
SWEEPING = 5


def line_response(name, frequency_hz):
    """A matched attenuator with 2 ns of delay, another amplitude for each S-parameter."""
    return SIZES[name] * np.exp(-2j * np.pi * frequency_hz * 2e-9)


class Unlike:
    """What the analyzers share: a band, a level, RF, and one finished sweep."""

    def __init__(self, model):
        self.start_hz, self.stop_hz, self.points = 1e9, 2e9, 51
        self.level_dbm, self.bandwidth_hz, self.rf_on = -30.0, 1000.0, False
        self.count, self.logarithmic = 1, False
        self.random = np.random.default_rng(7)
        self.noise = {}
        self.result_hz = None
        self.engine = Engine(Identity("Tareline", f"Simulated {model}", "0", "0"), [],
                             reset=self.reset)  # fmt: skip

    def reset(self):
        self.start_hz, self.stop_hz, self.points = 1e9, 2e9, 51
        self.level_dbm, self.rf_on, self.result_hz = -30.0, False, None

    def change(self, **values):
        for name, value in values.items():
            setattr(self, name, value)
        self.result_hz = None

    def setting(self, pattern, name, parameter):
        return setting(pattern, parameter, get=lambda: getattr(self, name),
                       set=lambda value: self.change(**{name: value}))  # fmt: skip

    def level(self, pattern):
        return self.setting(
            pattern, "level_dbm",
            Number("DBM", minimum=-60.0, maximum=HIGHEST_DBM, default=-30.0),
        )  # fmt: skip

    def frequencies(self):
        spaced = np.geomspace if self.logarithmic else np.linspace
        return spaced(self.start_hz, self.stop_hz, self.points)

    def sweep(self):
        self.result_hz = None
        self.engine.begin(SWEEP_TIME_S, on_done=self.finish, operation_bit=SWEEPING)

    def finish(self):
        self.result_hz = self.frequencies()
        # drawn once a sweep: real and imaginary part are asked for one after the other
        shape = (2, len(self.result_hz))
        self.noise = {name: NOISE * (self.random.standard_normal(shape) * [[1], [1j]]).sum(axis=0)
                      for name in SIZES}  # fmt: skip

    def trace(self, name):
        if self.result_hz is None:
            raise ScpiError(-230, "no finished sweep")
        response = line_response(name, self.result_hz) if self.rf_on else FLOOR
        return response * (1.0 + self.noise[name])

    def number(self, maximum=HIGHEST_HZ):
        return Number("HZ", minimum=0.0, maximum=maximum, default=1e9)


def centre_span():
    """Centre and span with suffix, a list of points, traces under names, REAL,32, *OPC?."""
    it = Unlike("centre-span analyzer")
    names: dict[str, object] = {}
    chosen: list[object] = [None]
    form = ["MLOG"]

    def set_points(value):
        if value not in (11, 51, 101, 201):
            raise ScpiError(-224, "11, 51, 101 or 201 points")
        it.change(points=value)

    def middle():
        return 0.5 * (it.start_hz + it.stop_hz), it.stop_hz - it.start_hz

    def set_middle(centre, span):
        it.change(start_hz=centre - 0.5 * span, stop_hz=centre + 0.5 * span)

    def choose(name):
        if name not in names:
            raise ScpiError(-224, f"no trace {name}")
        chosen[0] = names[name]

    def data():
        if chosen[0] is None:
            raise ScpiError(-221, "no trace is selected")
        values = it.trace(chosen[0])
        return 20 * np.log10(np.abs(values)) if form[0] == "MLOG" else np.angle(values, deg=True)

    count = Integer(minimum=2, maximum=1000, default=51)
    it.engine.add([
        *setting("CENTre", it.number(), get=lambda: middle()[0],
                 set=lambda value: set_middle(value, middle()[1])),
        *setting("SPAN", it.number(), get=lambda: middle()[1],
                 set=lambda value: set_middle(middle()[0], value)),
        *setting("NPOints", count, get=lambda: it.points, set=set_points),
        *it.level("LEVel"),
        *it.setting("SOURce:ON", "rf_on", Boolean()),
        Command("TRACk:DEFine", lambda name, what: names.update({name: what}),
                (Text(), Choice("S11", "S21", "S12", "S22"))),
        Command("TRACk:SELect", choose, (Text(),)),
        Command("TRACk:FORM", lambda what: form.__setitem__(0, what), (Choice("MLOG", "PHASe"),)),
        Query("TRACk:DATA", data),
        Command("SINGle", it.sweep),
        Command("HALT", it.engine.abort),
    ])  # fmt: skip
    return it.engine


def plain_text():
    """Kilohertz without suffix, real and imaginary asked apart, text with ';', a status bit."""
    it = Unlike("plain-text analyzer")
    counted = [0]

    def sweep():
        counted[0] += 1
        it.sweep()

    def text(values):
        return ";".join(f"{value:.9E}" for value in values)

    def next_error():
        error = it.engine.status.errors.pop()
        return "NO FAULTS" if error.number == 0 else f"FAULT {-error.number} {error.text}"

    frequency = Number("", minimum=LOWEST_HZ / 1e3, maximum=HIGHEST_HZ / 1e3, default=1e6)
    name = Choice("F11", "F21", "F12", "F22")

    def asked(which):
        return it.trace(which.replace("F", "S"))

    it.engine.add([
        *setting("FA", frequency, get=lambda: it.start_hz / 1e3,
                 set=lambda value: it.change(start_hz=value * 1e3)),
        *setting("FB", frequency, get=lambda: it.stop_hz / 1e3,
                 set=lambda value: it.change(stop_hz=value * 1e3)),
        *it.setting("NP", "points", Integer(minimum=3, maximum=1001, default=51)),
        *it.level("PW"),
        *it.setting("BW", "bandwidth_hz", it.number()),
        Command("RFON", lambda: it.change(rf_on=True)),
        Command("RFOF", lambda: it.change(rf_on=False)),
        Query("RF", lambda: "RF ON" if it.rf_on else "RF OFF"),
        Query("RE", lambda which: text(asked(which).real), (name,)),
        Query("IM", lambda which: text(asked(which).imag), (name,)),
        Query("AX", lambda: text(it.frequencies() / 1e3)),
        *it.setting("AV", "count", Integer(minimum=1, maximum=64, default=1)),
        *it.setting("LG", "logarithmic", Boolean()),
        Query("AN", lambda: counted[0]),
        Command("AR", lambda: counted.__setitem__(0, 0)),
        Command("TS", sweep),
        Command("TX", it.engine.abort),
        Query("ST", lambda: it.engine.status.operation.condition),
        Query("ER", next_error),
        Query("SWT", lambda: SWEEP_TIME_S * 1e3),
    ])  # fmt: skip
    return it.engine


class Listed(Unlike):
    """Frequencies as a list, magnitudes in dB only, nothing that tells the end of a sweep."""

    def __init__(self):
        super().__init__("listed analyzer")
        self.listed_hz = (1e9, 2e9)
        self.engine.add([
            Command("LIST:GHZ", lambda *values: self.change(listed_hz=[v * 1e9 for v in values]),
                    (Number("", minimum=1e-3, maximum=6.0, default=1.0),), repeat_last=True),
            Query("LIST:COUNt", lambda: len(self.listed_hz)),
            *self.level("LEVel"),
            Command("CARRier", lambda on: self.change(rf_on=on), (Choice({"UP": True,
                                                                        "DOWN": False}),)),
            Query("CARRier", lambda: Quoted("UP" if self.rf_on else "DOWN")),
            Command("GO", self.sweep),
            Command("STOP", self.engine.abort),
            Query("LOGM", lambda: 20 * np.log10(np.abs(self.trace("S21")))),
        ])  # fmt: skip

    def frequencies(self):
        return np.array(self.listed_hz)
