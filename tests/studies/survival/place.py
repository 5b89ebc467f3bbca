"""A station on a simulated bench that lives on, without noise, scatter and drift: every sweep of a
connection reads the same, so that a run that was killed must come to the figures of one that was
not."""

import re
import shutil

from drivers.simulated.launch import SimulatedBenchProcess
from harness.station.starter_files import write_starter
from tests.harness.short_run import station_on

QUIET = (
    ('trace_noise = "0.0015 dB"', 'trace_noise = "0 dB"'),
    ('noise_floor = "-112 dBm"', 'noise_floor = "-290 dBm"'),
    ('drift = "0.004 dB"', 'drift = "0 dB"'),
    ("spread = 0.35", "spread = 0.0"),
    ('flexure_length = "0.01 mm"', 'flexure_length = "0 mm"'),
    ("flexure_resistance = 0.0005", "flexure_resistance = 0.0"),
    ('connecting_time = "25 s"', 'connecting_time = "1 s"'),
)


class Place:
    """A running bench, and a station on it that each trial gets a copy of."""

    def __init__(self, folder):
        self.folder = folder
        write_starter(folder / "bench")
        path = folder / "bench" / "simulated-bench.toml"
        text = path.read_text("utf-8")
        for old, new in QUIET:
            assert old in text, old
            text = text.replace(old, new)
        path.write_text(text, "utf-8")
        self.bench = SimulatedBenchProcess(path)
        self._pattern = folder / "station"
        self._pattern.mkdir()
        station_on(self.bench, self._pattern, "vector")
        station = self._pattern / "station.toml"
        text = re.sub(r"\[traffic_log\]\n.*\n", "", station.read_text("utf-8"))
        # as connections repeat here; otherwise each is taken for one that nobody undid
        repeats = 'connection_repeatability = "{} dB"'
        assert repeats.format("0.02") in text
        text = text.replace(repeats.format("0.02"), repeats.format("1e-9"))
        station.write_text(text.replace('"500 ms"', '"5 s"'), "utf-8")  # a loaded machine is slow
        self._used = 0

    def fresh(self):
        """A folder with the station, and nothing measured yet."""
        self._used += 1
        folder = self.folder / f"trial-{self._used}"
        shutil.copytree(self._pattern, folder)
        return folder

    def close(self):
        self.bench.close()
