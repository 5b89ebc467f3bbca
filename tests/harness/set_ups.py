"""Stations of every set-up, made from the starting one, for tests that measure."""

import re

TRACKING = """
[spectrum_analyzer]
power = "-5 dBm"
maximum_power = "0 dBm"
resolution_bandwidth = "10 kHz"
averages = 4
source_match = "30 dB"
load_match = "30 dB"
linearity = "0.2 dB"
drift_per_hour = "0.1 dB"
"""
STEPPED = """
[generator]
power = "0 dBm"
maximum_power = "10 dBm"
source_match = "30 dB"

[power_meter]
maximum_power = "5 dBm"
noise_floor = "-60 dBm"
load_match = "30 dB"
linearity = "0.02 dB"
drift_per_hour = "0.02 dB"
averages = 2
"""
RECORDED = """
[recorded]
instrument = "An analyzer without a remote port"
source_match = "30 dB"
load_match = "30 dB"
drift_per_hour = "0.02 dB"
"""
SWITCH = """
[switch]
through = 101
item = 102
path_difference = "0.05 dB"
"""
SWITCH_ON_THE_BENCH = """
[switch]
switching_time = "20 ms"
[switch.channels.101]
joins = "through"
length = "60 mm"
resistance_at_1_ghz = "0.5 ohm"
contact_resistance = "50 mohm"
spread = 0.2
[switch.channels.102]
joins = "item"
length = "60 mm"
resistance_at_1_ghz = "0.5 ohm"
contact_resistance = "50 mohm"
spread = 0.2
"""
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
