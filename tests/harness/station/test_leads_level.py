"""What joined leads ought to read, where the station states their loss."""

import numpy as np
import pytest

from drivers.errors import InputError
from harness.station.items import read_workplace
from harness.station.leads_level import stated_level
from tests.harness.set_ups import replace

STATED = """flexure = "0.005 dB"
made_of = ["2 x RG-142 1 m", "4 x SMA"]
pads = "20 dB"
loss_limits = "2 dB"
"""


def read(folder, stated):
    replace(folder / "station.toml", ('# flexure = "0.005 dB"', f"{stated}#"))
    return read_workplace(folder / "station.toml", folder / "items.toml").station


def test_cables_connectors_pads_and_through_add_up(workplace_folder):
    """Constants of the cable a sqrt(f) + b f as its entry states them, f in GHz."""
    station = read(workplace_folder, STATED)
    ghz = station.settings("telemetry-868").frequency_hz() / 1e9
    known = station.known_parts()
    cable, joint = known.cables["RG-142"], known.joints["SMA"]
    warm = 1.0 + 0.00197 * 3.0
    of_cable_db = cable.conductor_db_per_m * warm * np.sqrt(ghz) + cable.dielectric_db_per_m * ghz
    lost_db = 2.0 * of_cable_db + 4.0 * joint.loss_db(ghz * 1e9) + 0.035 * np.sqrt(ghz)
    found = stated_level(station, "telemetry-868")
    assert found.level_db == pytest.approx(-20.0 - lost_db.mean(), abs=1e-3)
    assert 2.0 < found.within_db < 2.5


def test_nothing_is_foreseen_of_leads_that_nobody_describes(workplace_folder):
    station = read_workplace(
        workplace_folder / "station.toml", workplace_folder / "items.toml"
    ).station
    assert stated_level(station, "telemetry-868") is None


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('loss_limits = "2 dB"', "", r"loss_limits, and made_of or pads, belong together"),
        ("2 x RG-142 1 m", "2 x RG-142", r"leads.made_of: RG-142 is a cable: say how long"),
        ("4 x SMA", "4 x SMB-X", r"leads.made_of: there is no part 'SMB-X'"),
    ],
)
def test_mistakes_in_it_are_told(workplace_folder, old, new, says):
    with pytest.raises(InputError, match=says):
        read(workplace_folder, STATED.replace(old, new))
