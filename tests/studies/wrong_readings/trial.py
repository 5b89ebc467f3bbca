"""A scenario carried out by the real command, at a terminal, over TCP."""

import re
import shutil
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from drivers import dialects
from drivers.instruments.hand import Hand
from drivers.link.link import Link
from drivers.simulated.described.bench_description import read_description
from drivers.simulated.launch import SimulatedBenchProcess
from drivers.simulated.physics.truth import insertion_loss_db
from harness.evaluation.read_back import read_run
from harness.evaluation.standing import Standing, standing_of_run
from harness.station.starter_files import write_starter
from tests.harness.production_bench import production_station
from tests.harness.set_ups import replace
from tests.harness.short_run import arm, ask
from tests.studies.wrong_readings.history import write_history
from tests.studies.wrong_readings.person import Person
from tests.studies.wrong_readings.scenarios import BAD_CONTACT, BAND, ITEM

LIMIT = f'limits = {{ {BAND} = "0.6 dB" }}\n'
HISTORY = "history"
DIALECT = "scpi-99-network-analyzer"
ENOUGH = {Standing.PASS, Standing.CONDITIONAL_PASS}
CONTACT_OF_2_5_OHM = f"""
[items.{BAD_CONTACT}]
parts = [
    {{ kind = "connector", resistance_at_1_ghz = "0.25 ohm", length = "9 mm", impedance = "48.8 ohm" }},
    {{ kind = "line", of = "thin flexible", length = "450 mm" }},
    {{ kind = "series", resistance = "2.5 ohm", capacitance = "0 pF" }},
    {{ kind = "connector", resistance_at_1_ghz = "0.25 ohm", length = "9 mm", impedance = "48.8 ohm" }},
]
"""  # noqa: E501


def start_bench(folder):
    """A running bench that has an item with a bad contact too."""
    write_starter(folder)
    path = folder / "simulated-bench.toml"
    path.write_text(path.read_text("utf-8") + CONTACT_OF_2_5_OHM, "utf-8")
    process: Any = SimulatedBenchProcess(path)
    process.path = path
    return process


@dataclass(frozen=True)
class Outcome:
    """What came of a scenario."""

    status: int
    passed: tuple[str, ...]
    """Items that passed although something was wrong with them."""
    is_said: bool
    """Whether the words were shown."""
    is_true: bool
    """Whether nothing that was measured is wrong: all that passed is within U of the truth."""
    is_safe: bool
    """Whether RF was off at the end."""
    shown: str = field(repr=False)

    @property
    def is_good(self):
        """Nothing wrong got a pass, and the cause was named."""
        is_nothing = self.status in (1, 2, 3) or self.is_true
        return not self.passed and is_nothing and self.is_said and self.is_safe


def _with_history(bench, folder, scenario):
    """A folder of runs of earlier days that the station pools with."""
    replace(folder / "station.toml", ('# history = "results"', f'history = "{HISTORY}"'))
    options = ("--item", ITEM, "--insertions", "3", "--sweeps", "2", "--results", "before")
    person = Person(bench, folder, *options, procedure="qualify", lies={})
    try:
        shown, status = person.carries_out()
    finally:
        person.close()
    assert status == 0, shown
    (run,) = (folder / "before").glob("*.h5")
    write_history(run, folder / HISTORY, scenario.history, scenario.history_off_db)
    shutil.rmtree(folder / "before")


def carry_out(bench, folder, scenario):
    """The command, from the first prompt to its end; whatever is armed is cleared afterwards."""
    production_station(bench, folder, by_hand=True)
    replace(folder / "items.toml", (f"[items.{ITEM}]\n", f"[items.{ITEM}]\n{LIMIT}"))
    # the program and its instruments share the cores of this machine
    patience = ('timeout = "500 ms"', 'timeout = "2 s"')
    replace(folder / "station.toml", patience, *scenario.station)
    replace(folder / "items.toml", *scenario.items)
    if scenario.dialect:
        shutil.copy(Path(dialects.__file__).parent / f"{DIALECT}.toml", folder / "dialect.toml")
        replace(folder / "dialect.toml", *scenario.dialect)
        replace(folder / "station.toml", (f'"{DIALECT}"', '"./dialect.toml"'))
    arm(bench)
    hand = Hand(Link(bench.addresses["hand"]))
    hand.open()
    hand.open_leads()
    hand.close()
    if scenario.history:
        _with_history(bench, folder, scenario)
    for fault in scenario.faults:
        arm(bench, "analyzer", *fault)
    person = Person(
        bench, folder, *scenario.options, procedure=scenario.procedure, lies=scenario.lies,
        typed=scenario.typed, ahead=scenario.ahead,
    )  # fmt: skip
    try:
        shown, status = person.carries_out()
    finally:
        person.close()
    struck = ask(bench, "hand", "FAULt:LOG?")
    assert all(kind in struck for kind, *_ in scenario.faults), struck
    arm(bench)
    runs = [read_run(path) for path in sorted(folder.glob("*/*.h5")) if path.parent.name != HISTORY]
    passed = {
        run.item["id"]
        for run in runs
        if run.finished
        and standing_of_run(run) in ENOUGH
        and not (scenario.faults and not scenario.lies and _is_true(bench, run))
    } - scenario.good
    return Outcome(
        status=status,
        passed=tuple(sorted(passed)),
        is_said=re.search(scenario.says, shown) is not None,
        is_true=not passed and bool(scenario.faults or scenario.good),
        is_safe=ask(bench, "analyzer", "OUTPut?") == "0",
        shown=shown,
    )


def _is_true(bench, run):
    """Whether what was measured in spite of a fault is: it was seen, and the sweep made again."""
    description = read_description(bench.path)
    return all(
        np.all(
            np.abs(
                band.insertion_loss_db
                - insertion_loss_db(description, run.item["id"], band.frequency_hz)
            )
            <= band.expanded_uncertainty_db
        )
        for band in run.bands.values()
    )
