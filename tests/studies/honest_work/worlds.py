"""Honest work of every kind: what was asked or doubted in it was asked without cause.

Recorded readings are none of these: `tareline import` asks nothing, and connects nothing anew.
"""

import re
from dataclasses import dataclass

from drivers.simulated.launch import SimulatedBenchProcess
from harness.evaluation.read_back import read_run
from harness.run_file.run import DOUBT
from harness.station.starter_files import write_starter
from tests.harness.command_line import tareline
from tests.harness.production_bench import GOOD, HANDS_FREE, KIND
from tests.harness.set_ups import SWITCH, SWITCH_ON_THE_BENCH, replace, use_set_up
from tests.studies.wrong_readings.history import write_history
from tests.studies.wrong_readings.person import Person

ADAPTER = """
[items.ADP-0001]
parts = [
    { kind = "connector", resistance_at_1_ghz = "0.1 ohm", length = "12 mm", impedance = "50 ohm" },
]
"""
ADAPTER_STATED = """
[items.ADP-0001]
description = "Straight adapter"
made_of = ["SMA straight adapter"]
"""
SET_ASIDE = "set aside: "
DOUBTED = (DOUBT, "recovery")
"""Kinds of events that honest work has none of."""


@dataclass(frozen=True)
class World:
    """A set-up, and what is measured on it."""

    name: str
    item: str = "PIG-0451"
    set_up: str = "vector"
    bands: tuple[str, ...] = ("telemetry-868", "backhaul-2400")
    points: int = 11
    procedure: str = "qualify"
    by_hand: bool = False
    is_quiet: bool = False
    """A receiver of a tenth of the noise: two makings must still not be taken for one."""
    resolution: str = ""
    """Step of the readings; the station states it."""
    history: int = 0
    """Sittings before, one a day, that each zero is compared with."""


WORLDS = (
    World("by hand, at a terminal", by_hand=True, bands=("telemetry-868",)),
    World("automatic hand, all bands", bands=(
        "telemetry-433", "telemetry-868", "satellite", "backhaul-2400", "backhaul-5600",
    )),
    World("semi-rigid jumper, 0.1 dB", item="JMP-0107"),
    World("near 0 dB: an adapter", item="ADP-0001"),
    World("an elbow", item="ELB-0033", bands=("telemetry-433", "backhaul-5600")),
    World("a quiet receiver", is_quiet=True),
    World("a feeder of 3 m", item="FDR-0012"),
    World("a failing item", item="PIG-0452"),
    World("transmission alone", set_up="S21 alone"),
    World("generator and power meter", set_up="stepped", bands=("telemetry-868",), points=5),
    World("tracking generator", set_up="tracking", bands=("telemetry-868",)),
    World("steps of 0.1 dB", set_up="tracking", resolution="0.1 dB"),
    World("steps of 0.01 dB", set_up="tracking", resolution="0.01 dB"),
    World("six sittings before", history=6),
    World("switch", set_up="switch", bands=("telemetry-868",)),
    World("hands-free, a lot", procedure="spot-check", bands=("telemetry-868",)),
)  # fmt: skip


@dataclass(frozen=True)
class Found:
    """What came of one run."""

    doubts: tuple[str, ...]
    marks: tuple[str, ...]


class Place:
    """A station of a world on a bench of its own that goes on from run to run."""

    def __init__(self, folder, world, seed):
        self.folder, self.world = folder, world
        write_starter(folder)
        bench = folder / "simulated-bench.toml"
        with bench.open("a", encoding="utf-8") as file:
            file.write(ADAPTER)
        replace(bench, ("seed = 20", f"seed = {seed}"))
        if world.is_quiet:
            replace(bench, ('trace_noise = "0.0015 dB"', 'trace_noise = "0.00015 dB"'))
        if world.set_up == "switch":
            replace(bench, ("\n[leads]", f"{SWITCH_ON_THE_BENCH}\n[leads]"))
        if world.resolution:
            replace(bench, _coarse(world))
        self._process = SimulatedBenchProcess(bench)
        name = "vector" if world.set_up == "switch" else world.set_up
        use_set_up(folder, name, points=world.points, bands=world.bands)
        self._state()
        if world.history:
            self.measure("before")
            (run,) = (folder / "results-before").glob("*.h5")
            write_history(run, folder / "history", world.history, 0.0, seed)

    def _state(self):
        station, items = self.folder / "station.toml", self.folder / "items.toml"
        if self.world.resolution:
            replace(station, _coarse(self.world))
        addresses = self._process.addresses
        hand = "" if self.world.by_hand else f'hand = "{addresses["hand"]}"'
        replace(station, ('bench = "simulated-bench.toml"', hand))
        if self.world.by_hand:
            replace(station, ("[simulation]\n", ""))
        if self.world.history:
            replace(station, ('# history = "results"', 'history = "history"'))
        if self.world.set_up == "switch":
            replace(station, ("\n[leads]", f"{SWITCH}\n[leads]"))
        text = re.sub(r'^timeout = "5 s".*\n', "", station.read_text("utf-8"), flags=re.M)
        for role, resource in addresses.items():
            text = re.sub(rf"^\[{role}\]$", f'[{role}]\nresource = "{resource}"', text, flags=re.M)
        station.write_text(text, "utf-8")
        text = items.read_text("utf-8") + ADAPTER_STATED
        if self.world.procedure == "spot-check":
            text = re.sub(r"\[kinds\..*?\n(?=\n)", KIND, text, flags=re.S)
            replace(station, ("[zero]", HANDS_FREE.format("2 s")))
            (self.folder / "serials.txt").write_text("\n".join(GOOD), "utf-8")
        if self.world.set_up not in ("vector", "switch"):
            text = text.replace('made_of = ["SMA str', 'return_loss = "30 dB"\nmade_of = ["SMA str')
        items.write_text(text, "utf-8")

    def measure(self, number):
        """One run, or one lot; what was found without cause, run by run."""
        results = f"results-{number}"
        options: tuple[str | int, ...]
        if self.world.procedure == "spot-check":
            options = ("--hands-free", "--serials", "serials.txt", "--sweeps", 1)
        else:
            options = ("--item", self.world.item, "--insertions", 3, "--sweeps", 2)
        command = ("run", self.world.procedure, *options, "--results", results)
        if self.world.by_hand:
            return self._by_hand(command[2:], results)
        done = tareline(*command, folder=self.folder)
        assert done.returncode in (0, 1), done.stderr
        return [_found(path) for path in sorted((self.folder / results).glob("*.h5"))]

    def _by_hand(self, options, results):
        person = Person(self._process, self.folder, *options, procedure="qualify", lies={})
        try:
            shown, status = person.carries_out()
        finally:
            person.close()
        assert status in (0, 1), shown
        (found,) = (_found(path) for path in (self.folder / results).glob("*.h5"))
        more = person.prompts - PROMPTS_BY_HAND
        return [Found((*found.doubts, *("asked more",) * more), found.marks)]

    def close(self):
        """End the bench."""
        self._process.close()


def _coarse(world):
    """What makes the readings coarse in a bench's description, and says so in a station's file."""
    table = "[spectrum_analyzer]"
    return table, f'{table}\nresolution = "{world.resolution}"\n'


PROMPTS_BY_HAND = 5
"""The through, three insertions, the through again."""


def _found(path):
    run = read_run(path)
    doubts = [
        event.text
        for event in run.events
        if event.kind in DOUBTED or event.text.startswith(SET_ASIDE)
    ]
    marks = [mark for band in run.bands.values() for mark in band.zero_marks]
    return Found(tuple(doubts), tuple(marks))
