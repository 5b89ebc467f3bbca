"""A user's own parts: entries, tables of points, mistakes, and that a run keeps what it used."""

import json
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from drivers.errors import InputError
from drivers.quantities import SI_CONTEXT
from harness.analysis.expected.catalogue_parts import METRES_PER_UNIT
from harness.commands.cli import app
from harness.evaluation.run_analysis import assess
from harness.station.items import read_workplace
from harness.station.own_parts import read_points
from harness.station.starter_files import write_starter
from harness.station.station import Station, read_station

OWN = """
[sources]
sheet = "our supplier's sheet, edition 4"

[cables."harbour foam"]
points = "points.csv"
relative_uncertainty = 0.03
source = "sheet"

[joints."SMA"]
ohmic_db = 0.03
relative_uncertainty = 0.2
source = "measured here, twenty pairs"
"""
POINTS = "frequency (MHz); attenuation (dB/100 m)\n100; 8,1\n1000; 27,2\n6000; 72\n"


@pytest.fixture
def folder(tmp_path):
    """A workplace whose station names a catalogue of its own."""
    write_starter(tmp_path)
    station = tmp_path / "station.toml"
    text = station.read_text("utf-8")
    assert "# catalogue =" in text
    station.write_text(text.replace("# catalogue =", "catalogue =", 1), "utf-8")
    (tmp_path / "my-parts.toml").write_text(OWN, "utf-8")
    (tmp_path / "points.csv").write_text(POINTS, "utf-8")
    return tmp_path


def read(folder):
    return read_workplace(folder / "station.toml", folder / "items.toml")


def test_own_parts_add_to_and_replace_those_that_come_with_it(folder):
    known = read(folder).station.known_parts()
    cable = known.find("harbour foam")
    assert cable.source == "our supplier's sheet, edition 4"
    assert 100 * cable.attenuation_db_per_m(np.array([1e9])) == pytest.approx([27.2], rel=0.02)
    assert known.find("SMA").ohmic_db == 0.03
    assert known.find("RG-316").relative_uncertainty == 0.06


def test_a_station_without_parts_of_its_own_knows_the_others(tmp_path):
    write_starter(tmp_path)
    assert read(tmp_path).station.known_parts().find("SMA").ohmic_db == 0.035


def test_items_are_checked_against_the_station_s_parts(folder):
    items = folder / "items.toml"
    text = items.read_text("utf-8")
    items.write_text(text.replace("RG-316 450 mm", "harbour foam 450 mm"), "utf-8")
    item = read(folder).items["PIG-0451"]
    known = read_station(folder / "station.toml").content.known_parts()
    grid = np.array([1e9])
    expected = item.expected(grid, 20.0, known)
    assert expected.loss_db == pytest.approx([0.45 * 0.272 + 2 * 0.03], rel=0.02)
    (folder / "my-parts.toml").write_text("", "utf-8")
    with pytest.raises(InputError, match=r"PIG-0451\.made_of: there is no part 'harbour foam'"):
        read(folder)


def test_the_run_file_s_station_needs_no_other_file(folder):
    """What is written into a run file reads back as the same parts."""
    station = read(folder).station
    kept = json.loads(json.dumps(station.as_dict()))
    again = Station.model_validate(kept, context=SI_CONTEXT, by_alias=False, by_name=True)
    grid = np.geomspace(1e8, 6e9, 5)
    for name in ("harbour foam", "SMA"):
        before, after = station.known_parts().find(name), again.known_parts().find(name)
        assert before.relative_uncertainty_at(grid) == pytest.approx(
            after.relative_uncertainty_at(grid)
        )
        assert before.source == after.source


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("relative_uncertainty = 0.03", "relative_uncertanty = 0.03",
         "cables.harbour foam.relative_uncertanty: unknown key; did you mean 'relative_unc"),
        ("relative_uncertainty = 0.03", "", "cables.harbour foam.relative_uncertainty: is missing"),
        ("relative_uncertainty = 0.03", "relative_uncertainty = true", "expected a number"),
        ("relative_uncertainty = 0.03", 'relative_uncertainty = "3 %"', "expected a number"),
        ("relative_uncertainty = 0.03", "relative_uncertainty = 3", "less than 1"),
        ("ohmic_db = 0.03", "ohmic_db = 0", "nothing is without loss"),
        ("ohmic_db = 0.03", "ohmic_db = inf", "finite"),
        ('points = "points.csv"', 'points = "ponts.csv"', "there is no file"),
        ('points = "points.csv"', "points = 3", "expected the name of a file"),
        ('points = "points.csv"', 'points = "points.csv"\nunit = "dB/m"', "excludes unit"),
        ('points = "points.csv"', "", "give either points_mhz with their unit, or constants"),
        ('points = "points.csv"', "points_mhz = [[1, 1], [2, 2]]", "unit is missing"),
        ('points = "points.csv"', 'unit = "dB/km"\npoints_mhz = [[1, 1], [2, 2]]',
         "there is no 'dB/km' here"),
        ('points = "points.csv"', 'unit = "dB/m"\npoints_mhz = [[2, 1], [1, 2]]', "must rise"),
        ('points = "points.csv"', 'unit = "dB/m"\npoints_mhz = [[1, 1]]', "at least 2"),
        ('[joints."SMA"]', '[joints."2 SMA"]', "'2 SMA' cannot name a part"),
        ('[joints."SMA"]', '[joints."harbour foam"]', "both a cable and a joint"),
        ("[sources]", "[source]", "source: unknown key; did you mean 'sources'"),
        ("[sources]", "[sources", "is not valid TOML"),
    ],
)  # fmt: skip
def test_each_mistake_is_named_with_file_and_key(folder, old, new, says):
    parts = folder / "my-parts.toml"
    text = parts.read_text("utf-8")
    assert old in text
    parts.write_text(text.replace(old, new, 1), "utf-8")
    with pytest.raises(InputError) as raised:
        read(folder)
    assert says in str(raised.value)
    assert "my-parts.toml" in str(raised.value)


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("", "is empty"),
        ("MHz; dB\n1; 2\n", "is no column here"),
        ("frequency (MHz); attenuation (dB/km)\n", "'dB/km' is not a unit that fits here"),
        ("frequency (MHz); frequency (Hz)\n", "one column of each"),
        ("frequency (MHz), attenuation (dB/m)\n1, 2,3\n", "line 2 has 3 columns"),
        ("frequency (MHz), attenuation (dB/m)\n1, x\n", "line 2: 'x' is not a number"),
        ("frequency (MHz), attenuation (dB/m)\n1, nan\n", "line 2: both numbers must be above"),
        ("frequency (MHz), attenuation (dB/m)\n2, 1\n1, 2\n", "line 3: the frequencies must rise"),
        ("frequency (MHz), attenuation (dB/m)\n2, 1\n", "has 1 points"),
    ],
)
def test_mistakes_in_a_table_name_the_line(folder, table, says):
    (folder / "points.csv").write_text(table, "utf-8")
    text = (folder / "my-parts.toml").read_text("utf-8")
    (folder / "my-parts.toml").write_text(text.replace("ohmic_db", "ohmic_bd"), "utf-8")
    with pytest.raises(InputError, match=r"joints\.SMA\.ohmic_bd: unknown key") as raised:
        read(folder)
    assert says in str(raised.value)
    assert "points.csv" in str(raised.value)
    # the table, the unknown key, and the one that is missing for it
    assert "3 mistakes" in str(raised.value)


def test_a_finished_run_needs_the_file_no_more(folder, monkeypatch):
    """Measured on the simulated bench over TCP, then evaluated anew without the catalogue file."""
    items = folder / "items.toml"
    text = items.read_text("utf-8").replace("RG-402 150 mm", "harbour foam 150 mm")
    items.write_text(text.replace("2 x SMA semi-rigid", "2 x SMA"), "utf-8")
    station = folder / "station.toml"
    head, *bands = station.read_text("utf-8").split("[bands.")
    station.write_text(f"{head}[bands.{bands[0]}".replace("points = 51", "points = 5"), "utf-8")
    for line in ("telemetry-868", "satellite", "backhaul-2400", "backhaul-5600"):
        items.write_text(re.sub(rf", {line} = \"[^\"]*\"", "", items.read_text("utf-8")), "utf-8")
    monkeypatch.chdir(folder)
    options = ["--item", "JMP-0107", "--insertions", "1", "--sweeps", "1"]
    assert CliRunner().invoke(app, ["run", "qualify", *options]).exit_code == 0
    for name in ("my-parts.toml", "points.csv"):
        (folder / name).unlink()
    (run,) = (folder / "results").glob("*.h5")
    (result,) = assess(run).values()
    f = np.sqrt(result.frequency_hz / 1e9)
    # 0.15 m of a cable that its sheet gives 8.1 dB/100 m at 100 MHz and 27.2 at 1 GHz, 23 °C
    assert result.expected_db == pytest.approx(2 * 0.03 * f + 0.15 * 0.272 * f, rel=0.03)


@given(
    mhz=st.lists(st.integers(1, 50_000), min_size=2, max_size=8, unique=True).map(sorted),
    unit=st.sampled_from([*METRES_PER_UNIT]),
    form=st.sampled_from(
        [("frequency (MHz), attenuation ({})", ",", 1.0, "."),
         ("Frequency [GHz];Attenuation [{}]", ";", 1e-3, ","),
         ("frequency, Hz\tattenuation, {}", "\t", 1e6, ".")]
    ),
)  # fmt: skip
def test_tables_read_the_same_in_every_form(mhz, unit, form):
    header, separator, scale, point = form
    rows = [f"{value * scale!r}{separator}{0.5 * value!r}".replace(".", point) for value in mhz]
    text = "\n".join(["# published, simulated", header.format(unit), "", *rows])
    got_unit, points = read_points(text)
    assert got_unit == unit
    assert np.array(points) == pytest.approx(np.array([[v, 0.5 * v] for v in mhz]))


def test_a_station_cannot_have_a_file_and_tables_of_its_own(folder):
    station = folder / "station.toml"
    own = '\n[parts.joints."K"]\nohmic_db = 0.02\nrelative_uncertainty = 0.3\nsource = "x"\n'
    station.write_text(station.read_text("utf-8") + own, "utf-8")
    with pytest.raises(InputError, match="catalogue: excludes the station's own parts"):
        read(folder)
    text = station.read_text("utf-8").replace("catalogue =", "# catalogue =", 1)
    station.write_text(text, "utf-8")
    assert read(folder).station.known_parts().find("k").ohmic_db == 0.02
