"""The main job at its shortest, on running simulated benches that misbehave when told to."""

import re

from drivers.link.link import Link
from drivers.simulated.launch import SimulatedBenchProcess
from harness.run_file import count_suspects, open_run, read_readings
from harness.running.finding_procedures import find_procedure
from harness.running.measure import Assignment, measure
from harness.station.items import read_workplace
from harness.station.starter_files import write_starter
from tests.harness.set_ups import SWITCH, SWITCH_ON_THE_BENCH, replace, use_set_up

BAND = "telemetry-868"
ITEM = "PIG-0451"
SWEEPS = 4 + 3 + 4
"""Two normalizations of four sweeps, and three insertions of one."""
DEADLINE_S = 10.0
"""For a whole short run, whatever happens in it; nothing may hang."""
SOURCES = {
    "vector": "analyzer", "stepped": "generator", "tracking": "spectrum_analyzer",
    "switch": "analyzer",
}  # fmt: skip
"""What sends RF, in each set-up."""


class RunningBenches:
    """A bench for every set-up, started when it is first needed; one of them has a switch."""

    def __init__(self, folder):
        self._folder = folder
        self._processes = {}

    def __getitem__(self, set_up):
        has_switch = set_up == "switch"
        if has_switch not in self._processes:
            folder = self._folder / ("with-switch" if has_switch else "plain")
            write_starter(folder)
            path = folder / "simulated-bench.toml"
            if has_switch:
                replace(path, ("\n[leads]", f"{SWITCH_ON_THE_BENCH}\n[leads]"))
            self._processes[has_switch] = SimulatedBenchProcess(path)
            self._processes[has_switch].path = path
        return self._processes[has_switch]

    def close(self):
        for process in self._processes.values():
            process.close()


def station_on(bench, folder, set_up):
    """A station on a running bench, with one short band, little patience, and a traffic log."""
    write_starter(folder)
    name = "vector" if set_up == "switch" else set_up
    # each point of a stepped sweep is some ten messages
    use_set_up(folder, name, points=5 if name == "stepped" else 11, bands=(BAND,))
    station = folder / "station.toml"
    replace(station, ('bench = "simulated-bench.toml"', f'hand = "{bench.addresses["hand"]}"'))
    tables = f'{SWITCH if set_up == "switch" else ""}\n[traffic_log]\nfile = "traffic.log"\n'
    replace(station, ("\n[leads]", f"{tables}\n[leads]"))
    text = re.sub(r'^timeout = "5 s".*\n', "", station.read_text("utf-8"), flags=re.M)
    for role, resource in bench.addresses.items():
        table = f'[{role}]\nresource = "{resource}"\ntimeout = "500 ms"'
        text = re.sub(rf"^\[{role}\]$", table, text, flags=re.M)
    station.write_text(text, "utf-8")
    return read_workplace(station, folder / "items.toml")


def carry_out(workplace, results):
    """The main job, as short as it can be with an uncertainty; raises as the command does."""
    work = Assignment(find_procedure("qualify"), {"insertions": 3, "sweeps": 1}, results)
    return measure(workplace, workplace.choose([ITEM]), work)


def ask(bench, role, query):
    """Ask an instrument of the bench on a connection of one's own."""
    link = Link(bench.addresses[role])
    link.open()
    try:
        return link.query(query)
    finally:
        link.close()


def arm(bench, *texts):
    """Forget all faults, and arm one."""
    hand = Link(bench.addresses["hand"])
    hand.open()
    hand.write("FAULt:CLEar")
    if texts:
        hand.write("FAULt:ARM " + ",".join(f'"{text}"' for text in texts))
    error = hand.query("SYSTem:ERRor:NEXT?")
    hand.close()
    assert error.startswith("0"), error


def struck(bench):
    """Whether the fault that was armed has struck, and is used up."""
    return not ask(bench, "hand", "FAULt:ARMed?").strip('"')


def kept_sweeps(results):
    """How many good sweeps the only run file has, and how many suspect ones."""
    (path,) = results.glob("*.h5")
    with open_run(path) as file:
        (band,) = read_readings(file).values()
        return len(band.normalization_time) + len(band.insertion_time), sum(
            count_suspects(file).values()
        )


def show_table(titles, rows):
    """Print a table as Markdown."""
    rows = [titles, ["---"] * len(titles), *rows]
    widths = [max(len(row[column]) for row in rows) for column in range(len(titles))]
    print("\n")
    for row in rows:
        cells = (f"{text:{width}}" for text, width in zip(row, widths, strict=True))
        print(f"| {' | '.join(cells)} |")
