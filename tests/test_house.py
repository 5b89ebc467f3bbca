"""What holds of the house beyond the arrows between its rooms, which the import linter keeps.

The arrows stand in pyproject.toml, `[tool.importlinter]`.
"""

import ast
from collections import defaultdict
from functools import cache
from pathlib import Path

HOUSE = Path(__file__).parent.parent
PACKAGES = ("harness", "drivers", "procedures")
MOST_ROOMS = 12
LARGEST_MODULE = 400
EVASIVE_NAMES = {"utils", "util", "helpers", "helper", "manager", "common", "misc"}
TYPED_WORDS = {"harness/commands", "procedures"}
"""Where a module is named after what a person types."""


@cache
def trees():
    """Every module of the product, parsed; by its path from the top."""
    return {
        path.relative_to(HOUSE): ast.parse(path.read_text("utf-8"))
        for package in PACKAGES
        for path in sorted((HOUSE / package).rglob("*.py"))
    }


def twice(named):
    return {name: places for name, places in named.items() if len(places) > 1}


def test_the_harness_holds_rooms_and_nothing_else():
    entries = {path.name for path in (HOUSE / "harness").iterdir()} - {"__pycache__"}
    rooms = entries - {"__init__.py", "py.typed"}
    assert len(rooms) <= MOST_ROOMS
    assert all((HOUSE / "harness" / room / "__init__.py").is_file() for room in rooms)


def test_modules_have_one_subject():
    for path, tree in trees().items():
        lines = len((HOUSE / path).read_text("utf-8").splitlines())
        assert lines <= LARGEST_MODULE, f"{path} has {lines} lines"
        assert path.stem not in EVASIVE_NAMES, path
        assert ast.get_docstring(tree), f"{path} does not say what it is for"


def test_no_module_name_stands_for_two_things():
    named = defaultdict(list)
    for path in trees():
        if not path.stem.startswith("__") and str(path.parent) not in TYPED_WORDS:
            named[path.stem].append(str(path))
    assert not twice(named)


def test_no_class_name_stands_for_two_things():
    named = defaultdict(list)
    for path, tree in trees().items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                named[node.name].append(str(path))
    assert not twice(named)


def face(room):
    """Modules of a room that others may use: its `__all__`; None where it hands out names."""
    for node in trees()[room / "__init__.py"].body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return set(ast.literal_eval(node.value))
    return set()


def taken_from_other_rooms():
    """Rooms, and by whom which of their modules are imported from outside."""
    taken = defaultdict(lambda: defaultdict(set))
    for path, tree in trees().items():
        for node in ast.walk(tree):
            if not isinstance(node, ast.ImportFrom) or not node.module:
                continue
            dotted = [f"{node.module}.{alias.name}" for alias in node.names]
            for name in (node.module, *dotted):
                module = Path(*name.split(".")).with_suffix(".py")
                room = module.parent
                inside = room == path.parent or room in path.parents
                if module in trees() and not inside:
                    taken[room][module.stem].add(str(path))
    return taken


def test_rooms_are_entered_by_their_faces():
    """A room's `__init__` lists in `__all__` the modules that others may use, and no others."""
    for room, modules in taken_from_other_rooms().items():
        if room / "__init__.py" not in trees() or room.parent == Path():
            continue
        listed = face(room)
        hidden = {name: users for name, users in modules.items() if name not in listed}
        assert not hidden, f"{room}: not in __all__: {hidden}"
        files = {path.stem for path in trees() if path.parent == room}
        unused = (listed & files) - set(modules)
        assert not unused, f"{room}: nobody outside uses {unused}"
