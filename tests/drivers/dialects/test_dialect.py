"""Dialects: what their files may say, how mistakes are told, and what is printed of them."""

import tomllib
from pathlib import Path

import pytest

from drivers.dialects.dialect import (
    ROLES,
    PowerMeterDialect,
    dialect_text,
    load_dialect,
    shipped_dialects,
    wire_settings,
)
from drivers.dialects.dialect_print import effective_text
from drivers.errors import InputError
from drivers.instruments.instrument import means_no_error

UNLIKE = sorted((Path(__file__).parents[1] / "unlike_dialects").glob("*.toml"))
EVERY = [*shipped_dialects(), *map(str, UNLIKE)]

START = 'start_hz = { set = "SENSe:FREQuency:STARt {value} HZ", get = "SENSe:FREQuency:STARt?" }'
FORM = 'form = "complex-pairs"'
ABORT = 'abort = "ABORt"'
COMPLETION = '{ kind = "event-status-bit", query = "*ESR?", bit = 0 }'


@pytest.fixture
def changed(tmp_path):
    """Load a shipped dialect after changes to its text."""

    def load(*changes, name="scpi-99-network-analyzer"):
        text = dialect_text(name)
        for old, new in changes:
            assert old in text, f"the dialect does not say {old!r}"
            text = text.replace(old, new)
        (tmp_path / "mine.toml").write_text(text, "utf-8")
        return load_dialect("mine.toml", relative_to=tmp_path)

    return load


def test_every_role_has_a_shipped_dialect():
    assert {load_dialect(name).role for name in shipped_dialects()} == set(ROLES)


@pytest.mark.parametrize("name", EVERY, ids=lambda name: Path(name).stem)
def test_the_effective_dialect_reads_back_as_itself(name, tmp_path):
    dialect = load_dialect(name)
    text = effective_text(dialect)
    (tmp_path / "effective.toml").write_text(text, "utf-8")
    assert load_dialect("effective.toml", relative_to=tmp_path) == dialect
    stated = tomllib.loads(dialect_text(name))
    assert set(stated) <= set(tomllib.loads(text))


def test_defaults_stand_in_the_effective_dialect():
    effective = tomllib.loads(effective_text(load_dialect("scpi-99-network-analyzer")))
    assert effective["rf"]["answers_off"] == ["0", "+0", "OFF"]
    assert effective["link"]["query_delay"] == "0.0 s"


def test_what_the_wire_needs_is_handed_on(changed):
    link = '[link]\ntermination = "\\r\\n"\nbaud_rate = 19200\nquery_delay = "20 ms"\n\n[rf]'
    wire = wire_settings(changed(("[rf]", link)))
    assert (wire.termination, wire.baud_rate) == ("\r\n", 19200)
    assert (wire.query_delay_s, wire.write_delay_s) == (0.02, 0.0)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (START, START.replace("{value} HZ", "HZ"),
         "settings.start_hz.set: 'SENSe:FREQuency:STARt HZ' must contain {value}"),
        (START, START.replace("{value}", "{vlaue}"), "did you mean 'value'?"),
        (START, START.replace("STARt?", "STARt"), "settings.start_hz.get:"),
        (START, "", "half of a pair is missing"),
        (START, START.replace("start_hz", "centre_hz"), "either start_hz and stop_hz, or centre"),
        (START, START.replace(" }", ', format = "%6f" }'), "is not one of the forms such as '.6f'"),
        (START, START.replace(" }", ", lowest = 2, allowed = [1] }"), "not both"),
        (START, START.replace(" }", ", scale = 0 }"), "greater than 0"),
        ("start_hz", "start_mhz", "unknown key; did you mean 'start_hz'?"),
        (FORM, 'form = "complex"', "there is no 'complex' here; did you mean 'complex-pairs'?"),
        (FORM, 'form = "real-and-imaginary"', "second_query is missing"),
        (FORM, 'form = "dbm"', "a network analyzer reads ratios"),
        (FORM, FORM + '\nsecond_query = "IM?"', "leave second_query out"),
        ("event-status-bit", "status-bit", "there is no kind 'status-bit'"),
        (COMPLETION, '{ query = "*ESR?" }', "say its kind: event-status-bit, operation-complete"),
        (COMPLETION, '{ kind = "wait", time = 3 }', "3 has no unit"),
        (COMPLETION, '{ kind = "wait" }', "time: is missing"),
        (COMPLETION, '{ kind = "event-status-bit", bit = 16 }', "bit: input should be less than"),
        (ABORT, 'abort = ""', "is empty: state the command"),
        (ABORT, 'abort = "ABORt\\n*RST"', "write one command"),
        ('off = "OUTPut:STATe OFF"\nstate', "state", "rf.off: is missing"),
        ("[rf]", '[rf]\nanswers_on = ["0"]', "none of them both"),
        ("COUNt {value}", "COUNt 4", "must contain {value}, the number of readings"),
        ("{trace}", "{name}", "did you mean 'trace'?|known here: trace"),
        ('role = "network analyzer"', 'role = "network analyser"',
         "there is no role 'network analyser'; did you mean 'network analyzer'?"),
        ('role = "network analyzer"', "", "role: is missing: one of network analyzer"),
        ("[sweep]", "[sweep", "is not valid TOML"),
    ],
)  # fmt: skip
def test_mistakes_are_told_in_plain_words(changed, old, new, says):
    with pytest.raises(InputError) as raised:
        changed((old, new))
    assert any(phrase in str(raised.value) for phrase in says.split("|")), str(raised.value)
    assert "mine.toml" in str(raised.value)


def test_all_mistakes_come_at_once(changed):
    with pytest.raises(InputError, match=r"^6 mistakes") as raised:
        changed((START, START.replace("{value}", "{vlaue}")), (FORM, 'form = "pairs"'),
                (ABORT, 'abort = ""'), ('state = "OUTPut:STATe?"', 'stat = "OUTPut:STATe?"'),
                ("[data]", '[data]\naxis = "AX"'))  # fmt: skip
    for key in ("settings.start_hz.set", "data.form", "sweep.abort", "rf.state", "data.axis"):
        assert key in str(raised.value)


def test_a_dialect_of_another_role_is_refused():
    with pytest.raises(InputError, match="is for a network analyzer; a power meter is wanted"):
        load_dialect("scpi-99-network-analyzer", PowerMeterDialect)


@pytest.mark.parametrize("name", EVERY, ids=lambda name: Path(name).stem)
def test_the_usual_ways_to_say_that_there_is_no_error(name):
    """IEEE 488.2 has none; SCPI-99 volume 1, 21.8 says 0,"No error". Others: common practice."""
    dialect = load_dialect(name).model_copy(update={"no_error": ("0", "no error")})
    for answer in ('0,"No error"', '+0,"No error"', "0", "+0", "000, NO ERRORS", "No error", '"NO '
                   'ERRORS"', "00000"):  # fmt: skip
        assert means_no_error(answer, dialect), answer
    for answer in ('-113,"Undefined header"', "100", '-0100,"x"', "ERROR 0", ""):
        assert not means_no_error(answer, dialect), answer


def test_numbers_are_written_as_stated(changed):
    """A centre in MHz with six decimals; a count without any."""
    setting = changed(
        (START, START.replace(" HZ", " MHZ").replace(" }", ', scale = 1e6, format = ".6f" }'))
    ).settings.start_hz
    assert setting.message(2.4835e9) == "SENSe:FREQuency:STARt 2483.500000 MHZ"
    assert setting.read(2483.5) == pytest.approx(2.4835e9)
    plain = changed().settings.start_hz
    assert plain.message(2.4e9) == "SENSe:FREQuency:STARt 2400000000.0 HZ"


def test_values_out_of_a_list_or_a_range_are_objected_to(changed):
    points = 'points = { set = "SENSe:SWEep:POINts {value}"'
    listed = changed((points, f"{points}, allowed = [51, 101, 201]")).settings.points
    assert listed.objection(101) == ""
    assert "takes only 51, 101, 201; the nearest is 101" in listed.objection(120)
    ranged = changed((points, f"{points}, lowest = 2, highest = 201")).settings.points
    assert (ranged.objection(2), ranged.objection(201)) == ("", "")
    assert "at least" in ranged.objection(1)
    assert "at most" in ranged.objection(202)
