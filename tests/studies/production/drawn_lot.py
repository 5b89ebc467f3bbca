"""A simulated lot with known bad items, on a running bench whose operator fumbles."""

import re

import numpy as np

from drivers.simulated.described.bench_description import read_description
from drivers.simulated.launch import SimulatedBenchProcess
from drivers.simulated.physics.truth import insertion_loss_db
from harness.station.items import read_workplace
from harness.station.starter_files import write_starter
from tests.harness.set_ups import replace

KIND = "pigtail-300"
HANDS_FREE = '[hands_free]\npower = "-30 dBm"\nlook_every = "{look_every}"\n\n[zero]'
FAULTS = (
    '{{ kind = "bad-crimp", resistance = "{:.1f} ohm" }}',
    '{{ kind = "crushed", of = "thin flexible", length = "6 mm", outer_diameter = "0.7 mm" }}',
    '{{ kind = "line", of = "thin flexible", length = "{:.0f} mm" }}',
)
"""A crimp of 5 to 9 ohm, a cable squeezed to half its width, and one that is twice as long."""


class DrawnLot:
    """Files of a station, its items and its bench in a folder; which serial numbers are bad."""

    def __init__(self, folder, count, bad, seed, *, operator="", look_every="1 s", bands=None):
        self.folder = folder
        self.serials = [f"PIG-{number:04d}" for number in range(1001, 1001 + count)]
        rng = np.random.default_rng(seed)
        self.bad = sorted(rng.choice(self.serials, bad, replace=False).tolist())
        write_starter(folder)
        bench = folder / "simulated-bench.toml"
        text = bench.read_text("utf-8")
        head, tail = text.split("[items.", 1)[0], text[text.index("\n# Wire faults") :]
        head = head.replace("\n[through] ", f"\n[operator]\n{operator}\n\n[through] ", 1)
        head = re.sub(r"^seed = \d+", f"seed = {seed}", head, flags=re.M)
        assert "\n[operator]\n" in head
        bench.write_text(head + "".join(map(self._item(rng), self.serials)) + tail, "utf-8")
        (folder / "serials.txt").write_text("\n".join(self.serials) + "\n", "utf-8")
        station = folder / "station.toml"
        replace(station, ("[zero]", HANDS_FREE.format(look_every=look_every)))
        if bands is not None:
            self._keep_bands(bands)
        self._require_known()

    def _item(self, rng):
        faults = dict(zip(self.bad, [FAULTS[i % len(FAULTS)] for i in range(len(self.bad))],
                          strict=True))  # fmt: skip

        def text(serial):
            r = 0.25 + 0.02 * np.clip(rng.standard_normal(2), -2, 2)
            z = 48.9 + 0.15 * np.clip(rng.standard_normal(2), -2, 2)
            length_mm = 300.0 + 1.2 * float(np.clip(rng.standard_normal(), -2, 2))
            near, far = (
                f'{{ kind = "connector", resistance_at_1_ghz = "{r[end]:.3f} ohm", '
                f'length = "9 mm", impedance = "{z[end]:.2f} ohm" }}'
                for end in range(2)
            )
            parts = [
                near,
                f'{{ kind = "line", of = "thin flexible", length = "{length_mm:.2f} mm" }}',
            ]
            if serial in faults:
                fault = faults[serial]
                size = rng.uniform(5.0, 9.0) if "crimp" in fault else rng.uniform(260.0, 320.0)
                parts.append(fault.format(size))
            rows = "".join(f"    {part},\n" for part in [*parts, far])
            return f"[items.{serial}]\nparts = [\n{rows}]\n\n"

        return text

    def _keep_bands(self, bands):
        """Two bands and few points, where time is short."""
        station, items = self.folder / "station.toml", self.folder / "items.toml"
        head, *blocks = re.split(r"(?=\[bands\.)", station.read_text("utf-8"))
        kept = [b for b in blocks if re.match(r"\[bands\.([\w-]+)", b)[1] in bands]
        station.write_text(re.sub(r"points = \d+", "points = 21", head + "".join(kept)), "utf-8")
        text = items.read_text("utf-8")
        for limit in re.findall(r'([\w-]+) = "[\d.]+ dB"(?:, | )', text):
            if limit not in bands:
                text = re.sub(rf'{limit} = "[\d.]+ dB",? ?', "", text)
        items.write_text(re.sub(r", *\}", " }", text), "utf-8")

    def _require_known(self):
        """By physics alone, with nothing measured: good items keep every limit, bad ones do not."""
        description = read_description(self.folder / "simulated-bench.toml")
        workplace = read_workplace(self.folder / "station.toml", self.folder / "items.toml")
        limits_db = workplace.kinds[KIND].limits_db
        for serial in self.serials:
            beyond = False
            for name, band in workplace.station.bands.items():
                grid = np.linspace(band.start_hz, band.stop_hz, 11)
                truth_db = insertion_loss_db(description, serial, grid)
                beyond = beyond or bool(np.any(truth_db > float(limits_db[name])))
            assert beyond == (serial in self.bad), serial

    def started_bench(self):
        """The bench in a process of its own, which outlives those that measure; and the station."""
        bench = SimulatedBenchProcess(self.folder / "simulated-bench.toml")
        station = self.folder / "station.toml"
        replace(station, ('bench = "simulated-bench.toml"', f'hand = "{bench.addresses["hand"]}"'))
        replace(
            station, ("[analyzer]\n", f'[analyzer]\nresource = "{bench.addresses["analyzer"]}"\n')
        )
        return bench
