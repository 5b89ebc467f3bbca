"""Stations of every set-up, made from the starting one, for tests that measure."""

import re
from importlib import resources

STARTER = resources.files("harness.station") / "starter"


def starting_text(name):
    """A file that `tareline init` writes."""
    return (STARTER / name).read_text("utf-8")


def suggested(name, table):
    """A table that a starting file holds as a comment, ready to be pasted in."""
    lines = starting_text(name).splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith(f"# [{table}]"))
    block = []
    for line in lines[start:]:
        text = line.removeprefix("# ")
        if not line.startswith("# ") or (text.startswith("[") and f"[{table}" not in text):
            break
        block.append(text)
    return "\n" + "\n".join(block) + "\n"


def without(text, *keys):
    """Text without the lines that set `keys`."""
    return "".join(line for line in text.splitlines(True) if line.partition(" = ")[0] not in keys)


def on_the_bench(*tables):
    """The station's suggested tables, for instruments of a simulated bench at full pace."""
    text = "".join(suggested("station.toml", table) for table in tables)
    return without(text, "resource", "settling")


TRACKING = on_the_bench("spectrum_analyzer")
STEPPED = on_the_bench("generator", "power_meter")
RECORDED = on_the_bench("recorded")
SWITCH = on_the_bench("switch")
SWITCH_ON_THE_BENCH = suggested("simulated-bench.toml", "switch")
SET_UPS = {"vector": None, "S21 alone": None, "stepped": STEPPED, "tracking": TRACKING}


def replace(path, *pairs):
    text = path.read_text("utf-8")
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    path.write_text(text, "utf-8")


def use_set_up(folder, name, *, points=None, bands=None):
    """Give the station of `folder` a set-up; the item then states its return loss."""
    station = folder / "station.toml"
    text = station.read_text("utf-8")
    if name == "S21 alone":
        text = text.replace("[analyzer]", '[analyzer]\ntraces = ["S21"]', 1)
    tables = RECORDED if name == "recorded" else SET_UPS[name]
    if tables is not None:
        text = re.sub(r"\[analyzer\]\n.*?(?=\n\[leads\])", tables.strip() + "\n", text, flags=re.S)
    if name == "recorded":
        text = re.sub(r"\[simulation\]\n.*?\n(?=\n)", "", text, flags=re.S)
    if points is not None:
        text = re.sub(r"points = \d+", f"points = {points}", text)
    if bands is not None:
        head, *blocks = re.split(r"(?=\[bands\.)", text)
        text = head + "".join(b for b in blocks if re.match(r"\[bands\.([\w-]+)", b)[1] in bands)
    station.write_text(text, "utf-8")
    items = folder / "items.toml"
    text = items.read_text("utf-8")
    if bands is not None:
        text = re.sub(r"limits = \{.*?\}\n", "", text)
    if name != "vector":
        limits = 'length_limits = "5 mm"\n'
        text = text.replace(limits, f'{limits}return_loss = "18 dB"\n')
    items.write_text(text, "utf-8")
