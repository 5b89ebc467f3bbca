"""The rooms of the house, which way the arrows point, and what has one home only."""

import ast
from pathlib import Path

import pytest

HOUSE = Path(__file__).parent.parent
ROOMS = ("harness", "drivers", "procedures")
LARGEST_MODULE = 400
EVASIVE_NAMES = {"utils", "util", "helpers", "helper", "manager", "common", "misc"}


def modules():
    return [path for room in ROOMS for path in sorted((HOUSE / room).rglob("*.py"))]


def imports(path):
    """Dotted names that a module imports, wherever in the module."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module or ""
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def importers(package):
    found = set()
    for path in modules():
        if any(name == package or name.startswith(f"{package}.") for name in imports(path)):
            found.add(str(path.relative_to(HOUSE)))
    return found


def test_drivers_know_nothing_of_the_harness():
    assert not {
        p for p in importers("harness") | importers("procedures") if p.startswith("drivers/")
    }


def test_only_finding_procedures_reaches_up():
    """Procedures are found by name at run time; nothing else of the harness knows them."""
    harness = {p for p in importers("procedures") if p.startswith("harness/")}
    assert harness == {"harness/bench/procedure.py"}


def test_analysis_stands_alone():
    for path in (HOUSE / "harness" / "analysis").glob("*.py"):
        foreign = [
            name
            for name in imports(path)
            if name.split(".")[0] in ROOMS and not name.startswith("harness.analysis")
        ]
        assert not foreign, f"{path.name} imports {foreign}"


def test_procedures_know_only_the_bench():
    for path in (HOUSE / "procedures").glob("*.py"):
        ours = {name for name in imports(path) if name.split(".")[0] in ("harness", "drivers")}
        benches = {
            f"harness.{room}"
            for room in ("bench", "bench.Bench", "lot_bench", "lot_bench.LotBench")
        }
        assert ours <= benches, path.name


def test_pyvisa_and_h5py_have_one_home_each():
    assert importers("pyvisa") == {"drivers/link/link.py"}
    assert {str(Path(p).parent) for p in importers("h5py")} == {"harness/run_file"}


def test_the_simulated_bench_is_met_on_the_wire():
    """Instrument drivers never import it; the harness only launches it and asks for truth."""
    allowed = {
        "drivers.simulated.launch",
        "drivers.simulated.described.bench_description",
        "drivers.simulated.physics.truth",
    }  # fmt: skip
    for path in modules():
        if "simulated" in path.parts:
            continue
        names = {".".join(n.split(".")[:3]) for n in imports(path) if n.startswith("drivers.sim")}
        assert names <= allowed, f"{path} imports {names - allowed}"
        assert not (names and path.parts[-2] == "drivers"), path


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(HOUSE)))
def test_modules_have_one_subject(path):
    assert len(path.read_text("utf-8").splitlines()) <= LARGEST_MODULE
    assert path.stem not in EVASIVE_NAMES
    assert ast.get_docstring(ast.parse(path.read_text("utf-8"))), "says what it is for"


def test_every_package_is_installed():
    """The packages are listed by hand; a forgotten one would be missing from an installation."""
    import tomllib

    listed = set(
        tomllib.loads((HOUSE / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"][
            "packages"
        ]
    )
    data_or_code = {
        ".".join(path.parent.relative_to(HOUSE).parts)
        for room in ROOMS
        for path in (HOUSE / room).rglob("*")
        if path.suffix in (".py", ".toml", ".html", ".css") and "__pycache__" not in path.parts
    }
    assert data_or_code == listed
