"""Nested settings in words and units."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.report.words import particulars


@pytest.mark.parametrize(
    ("key", "value", "label", "shown"),
    [
        ("if_bandwidth_hz", 1000.0, "IF bandwidth", "1 kHz"),
        ("power_dbm", -10.0, "Power", "-10 dBm"),
        ("torque_n_m", 0.56, "Torque", "0.56 N·m"),
        ("length_m", 0.45, "Length", "450 mm"),
        ("slope_db_per_m", 1.2, "Slope", "1.2 dB/m"),
        ("temperature_c", 23.0, "Temperature", "23 °C"),
        ("phase_stable", True, "Phase stable", "yes"),
        ("adapter", None, "Adapter", "not stated"),
        ("made_of", ["RG-316 450 mm", "SMA"], "Made of", "RG-316 450 mm, SMA"),
        ("stops_hz", [1e9, 2e9], "Stops", "1 GHz, 2 GHz"),
        ("loss_at_1_ghz_db", 0.035, "Loss at 1 GHz", "0.035 dB"),
        ("loss_limits_at_100_mhz_db", 0.01, "Loss limits at 100 MHz", "0.01 dB"),
        ("resistance_at_50_hz_ohm", 0.2, "Resistance at 50 Hz", "200 mΩ"),
        ("oldest_s", 28800.0, "Oldest", "8 h"),
        ("oldest_s", 1200.0, "Oldest", "20 min"),
        ("oldest_s", 1234.5, "Oldest", "1234.5 s"),
        ("drift_db_per_hour", float("inf"), "Drift", "∞ dB/h"),
        ("dialect", "scpi-99-network-analyzer", "Dialect", "scpi-99-network-analyzer"),
    ],
)
def test_leaves(key: str, value: Any, label: str, shown: str) -> None:
    (row,) = particulars.rows({key: value})
    assert (row.path, row.label, row.value) == ((), label, shown)


def test_a_unit_holds_for_everything_under_its_key() -> None:
    rows = particulars.rows({"limits_db": {"telemetry-433": 0.45, "backhaul-5": 1.62}})
    assert [(row.path, row.label, row.value) for row in rows] == [
        (("Limits",), "telemetry-433", "0.45 dB"),
        (("Limits",), "backhaul-5", "1.62 dB"),
    ]


def test_nests_and_lists_of_nests() -> None:
    settings = {
        "analyzer": {"trace": {"points": 101}, "power_dbm": -5.0},
        "name": "bench 2",
        "switches": [{"role": "input"}, {"role": "output"}],
    }
    assert [(name, len(rows)) for name, rows in particulars.groups(settings)] == [
        ("", 1),
        ("Analyzer", 1),
        ("Analyzer, Trace", 1),
        ("Switches 1", 1),
        ("Switches 2", 1),
    ]


TEXT = st.text(max_size=8)
LEAVES = st.none() | st.booleans() | st.floats() | st.integers() | TEXT
NESTS = st.recursive(
    LEAVES, lambda inner: st.lists(inner) | st.dictionaries(TEXT, inner), max_leaves=12
)


@settings(max_examples=40)
@given(st.dictionaries(TEXT, NESTS, max_size=4))
def test_anything_can_be_shown(settings: dict[str, Any]) -> None:
    for row in particulars.rows(settings):
        assert row.value
