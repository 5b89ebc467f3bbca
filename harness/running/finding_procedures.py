"""Finding procedures by name or file, and knowing their parameters."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import sys
from collections.abc import Callable
from dataclasses import replace
from importlib.metadata import entry_points
from pathlib import Path
from types import ModuleType
from typing import Any

from drivers.errors import InputError
from drivers.toml_file import nearest
from harness.bench.procedure import Procedure

ENTRY_POINT_GROUP = "tareline.procedures"
PARAMETER_TYPES = (int, float, str, bool)
TOLD_BY = "TOLD_BY"
"""Name in a procedure's file that says which command tells its runs together."""


def procedure_names() -> list[str]:
    """Built-in procedures in the order of use, then installed ones."""
    import procedures

    built_in = [
        module.name.replace("_", "-") for module in pkgutil.iter_modules(procedures.__path__)
    ]
    use = {name: place for place, name in enumerate(procedures.IN_ORDER_OF_USE)}
    built_in.sort(key=lambda name: (use.get(name, len(use)), name))
    installed = sorted({entry.name for entry in entry_points(group=ENTRY_POINT_GROUP)})
    return [*built_in, *(name for name in installed if name not in built_in)]


def find_procedure(name: str) -> Procedure:
    """The procedure called `name`: built in, else installed, else a path to a Python file.

    Raises:
        InputError: there is none, or it is not a function of a Bench with typed parameters.
    """
    if name.endswith(".py"):
        found = _checked(Path(name).stem, _function_of_file(Path(name)), name)
        return replace(found, file=Path(name).resolve())
    module_name = name.replace("-", "_")
    import procedures

    if module_name in {module.name for module in pkgutil.iter_modules(procedures.__path__)}:
        module = importlib.import_module(f"procedures.{module_name}")
        return _checked(name, getattr(module, module_name), f"procedures/{module_name}.py")
    for entry in entry_points(group=ENTRY_POINT_GROUP, name=name):
        return _checked(name, entry.load(), entry.value)
    raise InputError(
        f"there is no procedure {name!r}; {nearest(name, procedure_names())}",
        hint="a procedure of your own is named by its file, as in ./my_procedure.py",
    )


def _function_of_file(path: Path) -> Callable[..., None]:
    if not path.is_file():
        raise InputError(f"there is no procedure file {str(path)!r}")
    module = ModuleType(f"tareline_procedure_{path.stem}")
    module.__file__ = str(path)
    sys.modules[module.__name__] = module
    try:
        # never what was compiled before: Python knows that by second and size, and a changed
        # figure may leave both as they were
        exec(compile(path.read_bytes(), str(path), "exec"), module.__dict__)
    except (Exception, SystemExit) as error:
        raise InputError(
            f"{str(path)!r} cannot be loaded: {type(error).__name__}: {error}"
        ) from error
    candidates = [
        function
        for name, function in inspect.getmembers(module, inspect.isfunction)
        if function.__module__ == module.__name__ and not name.startswith("_")
    ]
    named = [f for f in candidates if f.__name__ == path.stem.replace("-", "_")] or candidates
    if len(named) != 1:
        raise InputError(
            f"{str(path)!r} has {len(candidates)} public functions; which is the procedure?",
            hint=f"call it {path.stem.replace('-', '_')!r}, as the file",
        )
    return named[0]


def _checked(name: str, function: Callable[..., Any], where: str) -> Procedure:
    try:
        signature = inspect.signature(function, eval_str=True)
    except (NameError, TypeError) as error:
        raise InputError(
            f"the procedure {name!r} cannot be understood: {error}", where=where
        ) from error
    parameters = list(signature.parameters.values())
    if not parameters or parameters[0].name != "bench":
        raise InputError(
            f"the procedure {name!r} must take the Bench first",
            where=where,
            hint=f"def {function.__name__}(bench: Bench, insertions: int = 5) -> None:",
        )
    for parameter in parameters[1:]:
        if parameter.kind not in (parameter.POSITIONAL_OR_KEYWORD, parameter.KEYWORD_ONLY):
            raise InputError(
                f"parameter {parameter.name!r} of the procedure {name!r} cannot be given by name",
                where=where,
                hint="leave out `*`, `**` and `/`",
            )
        if parameter.annotation not in PARAMETER_TYPES:
            raise InputError(
                f"parameter {parameter.name!r} of the procedure {name!r} has no usable type",
                where=where,
                hint="annotate it as int, float, str or bool",
            )
    bench = parameters[0].annotation
    takes_lots = getattr(bench, "__module__", "") == "harness.bench.lot_bench"
    told_by = getattr(sys.modules[function.__module__], TOLD_BY, "")
    return Procedure(name, function, tuple(parameters[1:]), takes_lots=takes_lots, told_by=told_by)
