"""Mutants of the analysis: mutmut's changes, each of one function, and how one takes its place.

mutmut's own runner starts pytest for each mutant, which takes longer than the tests; so its
operators are driven from here, and a function's code is exchanged in a fork (`trial`). Changed are
the bodies and defaults of functions, methods and properties; not constants of modules, nor defaults
of dataclasses, nor what else is decorated. What a text says is left out: `tests/harness/report` is
about words, and a name that is none of a `Literal` mypy finds.
"""

import ast
import importlib
import inspect
import re
import textwrap
import zlib
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from fnmatch import fnmatch
from functools import partial
from itertools import chain, repeat, takewhile
from pathlib import Path
from types import FunctionType

import libcst
from mutmut.mutation.file_mutation import create_mutations, deep_replace

ROOT = Path(__file__).parents[3]
ROOMS = ("loss", "uncertainty")
"""Of `harness/analysis/`: loss, correction by the line of the zero and drift are in the first,
uncertainty and conformity in the second."""
LAZY_ANNOTATIONS = "from __future__ import annotations\n"


@dataclass(frozen=True)
class Mutant:
    """One function with one change."""

    module: str
    function: str
    """Its qualified name."""
    was: str
    """The lines that are changed, in one."""
    becomes: str
    source: str
    """Of the whole function."""

    @property
    def key(self) -> tuple[str, str, str]:
        """File and function, and the change; the same while other lines change. Alike lines of a
        function share it."""
        room, file = self.module.rsplit(".", 2)[1:]
        return f"{room}/{file}.py {self.function}", self.was, self.becomes


def drawn_mutants(one_in: int, only: str = "*") -> list[Mutant]:
    """A sample of the mutants of all files whose names match; drawn is by a checksum of the change,
    so that it is the same ones every time. 1: all of them."""
    files = [
        path for room in ROOMS for path in sorted((ROOT / "harness/analysis" / room).glob("*.py"))
        if fnmatch(f"{room}/{path.name}", only)
    ]  # fmt: skip
    with ProcessPoolExecutor(2) as pool:
        return list(chain.from_iterable(pool.map(mutants_of, files, repeat(one_in))))


def mutants_of(path: Path, one_in: int = 1) -> list[Mutant]:
    """Of one file."""
    # mutmut leaves decorated functions alone; a property's is like any other once it is one
    text = re.sub(r"^ *@property$", "", path.read_text("utf-8"), flags=re.M)
    module, mutations, _, _ = create_mutations(str(path), text)
    names = dict(_functions(module.body))
    name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
    found = []
    for mutation in mutations:
        function = mutation.contained_by_top_level_function
        if function not in names:
            continue
        nodes = mutation.original_node, mutation.mutated_node
        change = [name, names[function], *map(module.code_for_node, nodes)]
        if zlib.crc32("\n".join(change).encode()) % one_in:
            continue
        changed = deep_replace(function, *nodes)
        before, after = (
            textwrap.dedent(module.code_for_node(each)) for each in (function, changed)
        )
        if _without_texts(before) == _without_texts(after):
            continue
        was, becomes = _difference(before.splitlines(), after.splitlines())
        found.append(Mutant(name, names[function], was, becomes, after))
    return found


def _functions(body, owner=""):
    for each in body:
        if isinstance(each, libcst.FunctionDef):
            yield each, owner + each.name.value
        elif isinstance(each, libcst.ClassDef):
            yield from _functions(each.body.body, f"{owner}{each.name.value}.")


def _without_texts(source):
    tree = ast.parse(source)
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            node.value = ""
    return ast.dump(tree)


def _difference(before, after):
    """Of two texts line by line, but for what they have in common at either end."""

    def alike(ours, theirs):
        return sum(
            1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(ours, theirs, strict=False))
        )

    first = alike(before, after)
    last = alike(before[: first - 1 : -1], after[: first - 1 : -1]) if first else 0
    return tuple(
        " ".join(line.strip() for line in lines[first : len(lines) - last])
        for lines in (before, after)
    )


def function_of(mutant: Mutant) -> FunctionType:
    """The function that a mutant is of."""
    owner = importlib.import_module(mutant.module)
    *classes, name = mutant.function.split(".")
    for each in classes:
        owner = getattr(owner, each)
    return _plain(vars(owner)[name])


def put_in_place(mutant: Mutant) -> None:
    """From now on, in this process, the function is the mutant, by whatever name it is called."""
    function = function_of(mutant)
    _exchange(function, mutant.source, dict(function.__globals__))


@contextmanager
def recorded(functions: Iterable[FunctionType]):
    """Those of the functions that are called meanwhile, as a set."""
    called: set[FunctionType] = set()
    before = []
    for function in functions:
        copy = FunctionType(function.__code__, function.__globals__, function.__name__)
        copy.__defaults__, copy.__kwdefaults__ = function.__defaults__, function.__kwdefaults__
        before.append((function, copy))
        # all that a code can name is in the globals of its module
        function.__globals__[f"_copy_{id(function)}"] = copy
        function.__globals__[f"_called_{id(function)}"] = partial(called.add, function)
        source = (
            f"def {function.__name__}(*given, **named):\n"
            f"    _called_{id(function)}()\n"
            f"    return _copy_{id(function)}(*given, **named)\n"
        )
        _exchange(function, source, {})
    yield called
    for function, copy in before:
        _take_over(function, copy)
        for name in ("_copy_", "_called_"):
            del function.__globals__[f"{name}{id(function)}"]


def _exchange(function, source, namespace):
    exec(compile(LAZY_ANNOTATIONS + source, function.__module__, "exec"), namespace)
    _take_over(function, _plain(namespace[function.__name__]))


def _take_over(function, other):
    for part in ("__code__", "__defaults__", "__kwdefaults__"):
        setattr(function, part, getattr(other, part))


def _plain(found):
    if isinstance(found, property):
        return found.fget
    return inspect.unwrap(
        found.__func__ if isinstance(found, classmethod | staticmethod) else found
    )
