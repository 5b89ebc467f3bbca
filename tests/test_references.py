"""What is there, the documents name: keys of every file, columns, JSON, calls of the Bench."""

import ast
import inspect
import re
import tomllib
from typing import get_args

import h5py
import pytest
from pydantic import BaseModel

from drivers.dialects.dialect import ROLES
from drivers.dialects.dialect_tables import (
    AveragingTable,
    EventStatusBit,
    OperationCompleteQuery,
    Setting,
    StatusConditionBit,
    Wait,
)
from harness.bench.bench import Bench
from harness.bench.lot_bench import LotBench
from tests.command_tree import command_of, options_of
from tests.documents import HOUSE, document, names_in

DRIVERS = document("drivers/README.md")
SIMULATED = document("drivers/simulated/README.md")
PROCEDURES = document("procedures/README.md")
STATION = document("harness/station/README.md")
RUN_FILE = document("harness/run_file/README.md")
REPORT = document("harness/report/README.md")
ANALYSIS = document("harness/analysis/README.md")
SAMPLE = HOUSE / "results" / "sample" / "qualify-PIG-0451.h5"

OF_ALL = "In every dialect"
OF_A_SOURCE = "A source: network analyzer, spectrum analyzer, signal generator"
SWEPT = "Network analyzer and spectrum analyzer"
SECTIONS = {
    "network analyzer": (OF_ALL, OF_A_SOURCE, SWEPT),
    "spectrum analyzer": (OF_ALL, OF_A_SOURCE, SWEPT),
    "signal generator": (OF_ALL, OF_A_SOURCE, "Signal generator"),
    "power meter": (OF_ALL, "Power meter"),
    "signal switch": (OF_ALL, "Signal switch"),
    "thermometer": (OF_ALL, "Power meter", "Thermometer"),
}
"""Where the keys of each role's dialect are told."""
WITH_A_SECTION = {"settings", "averaging", "overload"}
"""Tables that several roles have, told once."""
IN_WORDS = {
    "", "none", "any", "all digits", "see above", "as `scale`", "as under `[data]`",
    "as the port is", "the S-parameter", "1e-6 of the value, 0.01 dB for levels",
}  # fmt: skip
"""Defaults that are none, in the words of the tables."""


def key_of(name, field):
    return field.alias or name


def models_in(annotation):
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for inner in get_args(annotation) for model in models_in(inner)]


def keys_of(model):
    """Table and key of a dialect, with the field."""
    for name, field in model.model_fields.items():
        inner = models_in(field.annotation)
        if name in WITH_A_SECTION:
            continue
        if inner:
            for sub, each in inner[0].model_fields.items():
                yield (name, key_of(sub, each)), each
        else:
            yield ("", key_of(name, field)), field


def keys_told(*headings):
    """Table and key of each row of these sections, with its default in words."""
    found = {}
    for heading in headings:
        for row in DRIVERS.rows(heading):
            names = names_in(row[0])
            if len(row) < 4:
                continue
            table = names.pop(0).strip("[]") if names[:1] and names[0].startswith("[") else ""
            defaults = re.split(r", (?=`)", row[2])
            for place, name in enumerate(names):
                found[table, name] = defaults[place % len(defaults)]
    return found


def is_default(words, field):
    """Whether a cell states the default of a field."""
    if words.startswith("required"):
        return field.is_required()
    default = field.get_default(call_default_factory=True)
    if words in IN_WORDS:
        return not field.is_required() and (not default or words in ("", "as under `[data]`"))
    stated = tomllib.loads(f"x = {words.strip('`')}")["x"]
    if isinstance(default, float) and isinstance(stated, str):
        return float(stated.split()[0]) == default
    return (tuple(stated) if isinstance(stated, list) else stated) == default


@pytest.mark.parametrize("role", ROLES)
def test_every_key_of_a_dialect_is_told_with_its_default(role):
    told = keys_told(*SECTIONS[role])
    for place, field in keys_of(ROLES[role]):
        assert place in told, f"{role}: {place}"
        if (role, place) != ("thermometer", ("reading", "unit")):
            assert is_default(told[place], field), f"{role}: {place}: {told[place]}"
    sections = "".join(DRIVERS.section(heading) for heading in SECTIONS[role])
    for table in WITH_A_SECTION & set(ROLES[role].model_fields):
        assert f"`[{table}]`" in sections, f"{role}: {table}"


def test_no_key_is_told_that_no_dialect_has():
    known = {place for model in ROLES.values() for place, _ in keys_of(model)}
    known |= {("", name) for name in AveragingTable.model_fields}
    known |= {("settings", ""), ("averaging", ""), ("overload", "query"), ("overload", "bit")}
    told = keys_told(*{heading for headings in SECTIONS.values() for heading in headings})
    assert {place for place in told if place[1]} <= known


def test_every_key_of_a_setting_is_told():
    told = keys_told("A setting")
    for name, field in Setting.model_fields.items():
        assert is_default(told["", name], field), f"{name}: {told['', name]}"
    section = DRIVERS.section("A setting")
    for model in ROLES.values():
        if "settings" in model.model_fields:
            for table in models_in(model.model_fields["settings"].annotation):
                assert all(f"`{name}`" in section for name in table.model_fields)


def test_every_key_of_averaging_is_told():
    section = DRIVERS.section(SWEPT)
    table = section[section.index("| key of `[averaging]`") :]
    assert re.findall(r"^\| `(\w+)`", table, re.MULTILINE) == list(AveragingTable.model_fields)


def test_every_way_of_completion_is_told():
    rows = {names_in(row[0])[0]: row[1] for row in DRIVERS.rows("How the end shows: `completion`")}
    for model in (EventStatusBit, OperationCompleteQuery, StatusConditionBit, Wait):
        (kind,) = get_args(model.model_fields["kind"].annotation)
        for name, field in model.model_fields.items():
            assert name == "kind" or f"`{key_of(name, field)}`" in rows[kind], f"{kind}: {name}"


def keys_within(model, without):
    for name, field in model.model_fields.items():
        yield key_of(name, field)
        for inner in models_in(field.annotation):
            if inner is not without:
                yield from keys_within(inner, without)


def test_every_key_of_station_items_and_certificate_is_told():
    from harness.analysis.expected.catalogue_files import CatalogueFile
    from harness.station.certificate_details import CertificateDetails
    from harness.station.items import ItemsFile
    from harness.station.station import Station

    told = {name for span in names_in(STATION.text) for name in re.findall(r"\w+", span)}
    models = (Station, ItemsFile, CertificateDetails)
    keys = {key for model in models for key in keys_within(model, CatalogueFile)}
    read_from_a_file = {"loss_points"}
    assert keys - read_from_a_file <= told


def first_cells(doc, heading):
    return [name for row in doc.rows(heading) for name in names_in(row[0])]


def test_every_column_of_the_csv_files_is_told():
    from harness.report.files import frequency_csv, lot_csv
    from harness.station.loss_table import HEADER

    over_frequency = "`tareline export RUN... --csv DIR`: a row for each band and frequency"
    of_items = "`tareline report RUN...|LOT --csv FILE`: a row for each item and band"
    of_adapter = "`tareline adapter-losses RUN... --through T-02 --write T-02.csv`"
    assert sorted(first_cells(REPORT, over_frequency)) == sorted(frequency_csv.COLUMNS)
    assert sorted(first_cells(REPORT, of_items)) == sorted(lot_csv.COLUMNS)
    assert tuple(names_in(REPORT.section(of_adapter))[: len(HEADER)]) == HEADER


def test_every_key_of_the_json_of_a_run_is_told():
    from harness.report.files import result_json

    written = {
        key.value
        for node in ast.walk(ast.parse(inspect.getsource(result_json)))
        if isinstance(node, ast.Dict)
        for key in node.keys
        if isinstance(key, ast.Constant)
    }
    assert {"runs", "run_id", "bands", "worst", "verdict", "contribution"} <= written
    assert set(first_cells(REPORT, "`tareline-result/1`")) <= written
    assert written <= set(names_in(REPORT.section("`tareline-result/1`")))


def test_every_schema_is_told_with_a_command_that_prints_it():
    written = set()
    for path in (HOUSE / "harness").rglob("*.py"):
        written |= set(re.findall(r'"(tareline-[a-z-]+/\d)"', path.read_text("utf-8")))
    assert set(first_cells(REPORT, "JSON")) == written - {"tareline-run/1"}
    for row in REPORT.rows("JSON"):
        for command in names_in(row[1]):
            found, _ = command_of(command.split())
            assert found is None or "--json" in options_of(found), command


def test_everything_in_a_run_file_is_told():
    from harness.run_file import result_record, stability_record

    names = {"suspect", "variance_db2", "left_out", "runs", *result_record._WHERE_STATED}
    names |= {result_record.PARTS, result_record.DEGREES}
    with h5py.File(SAMPLE) as file:
        names |= set(file.attrs)
        bands = set(file["bands"])
        lines = {name for band in bands for name in file["analysis"][band]["budget"]}

        def look(name, thing):
            names.update(thing.attrs, set(name.split("/")) - lines - bands)

        file.visititems(look)
    written = (
        stability_record._SERIES, stability_record._PLAIN, stability_record._WARM_UP,
        stability_record._TEMPERATURE, stability_record._ZERO,
        [name for name, _ in stability_record._ALLAN.values()],
        [name for name, _ in stability_record._STEPS.values()],
        re.findall(r'attrs\["(\w+)"\]', inspect.getsource(stability_record)),
    )  # fmt: skip
    names.update(*written)
    assert names <= set(re.findall(r"\w+", RUN_FILE.text))


def test_every_line_of_the_budget_is_told():
    written = set()
    for path in (HOUSE / "harness" / "analysis" / "loss").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(node, ast.Call) or not re.search(
                r"(Contribution|_limits|_u_shaped|\.line)$", ast.unparse(node.func)
            ):
                continue
            if isinstance(node.args[0], ast.Constant):
                written.add(node.args[0].value)
    assert {row[0] for row in ANALYSIS.rows("Loss and U")} == written


@pytest.mark.parametrize(
    ("bench", "heading"), [(Bench, "Bench: one item"), (LotBench, "LotBench: a lot")]
)
def test_every_call_of_the_bench_is_told(bench, heading):
    calls = set()
    for name, method in inspect.getmembers(bench, inspect.isfunction):
        if name.startswith("_") or name == "close":
            continue
        stated = list(inspect.signature(method).parameters.values())[1:]
        written = [p.name if p.default is p.empty else f"{p.name}={p.default!r}" for p in stated]
        calls.add(f"{name}({', '.join(written)})".replace("'", '"'))
    assert {name for name in first_cells(PROCEDURES, heading) if "(" in name} == calls


def test_every_procedure_is_told():
    files = {path.stem for path in (HOUSE / "procedures").glob("*.py")} - {"__init__"}
    assert set(first_cells(PROCEDURES, "Procedures")) == files


def test_what_the_hand_of_the_simulated_bench_understands_is_told():
    written = set()
    for name in ("instruments/simulated_hand.py", "faults/fault_commands.py"):
        text = (HOUSE / "drivers" / "simulated" / name).read_text("utf-8")
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in ("Command", "Query"):
                asks = "?" * (ast.unparse(node.func) == "Query")
                written.add(f"{ast.literal_eval(node.args[0])}{asks}")
    assert {name.split()[0] for name in first_cells(SIMULATED, "The hand")} == written


def test_every_fault_of_the_wire_is_told():
    from drivers.simulated.faults.fault_description import DescribedFault, RandomFaults
    from drivers.simulated.faults.fault_kinds import KINDS

    told = set(first_cells(SIMULATED, "Faults of the wire"))
    assert told == set(KINDS) | {key_of(n, f) for n, f in DescribedFault.model_fields.items()}
    section = SIMULATED.section("Faults of the wire")
    assert all(f"`{name}`" in section for name in RandomFaults.model_fields)
