"""What the documents name is there: commands, options, files, names of the code, anchors."""

import re
from functools import cache

import pytest

from harness.bench.operator_lines import OperatorCommand
from harness.commands.cli import GROUPS
from tests.command_tree import command_of, command_tree, every_option, options_among, options_of
from tests.command_tree import procedures as known_procedures
from tests.documents import HOUSE, document, documents, names_in

SHORT = 8192
DOCUMENTS = documents()
STARTER = HOUSE / "harness" / "station" / "starter"
INVENTED = {
    "my-analyzer.toml", "my-parts.toml", "points.csv", "T-02.csv", "twice.py", "your_own.py",
    "report.html", "demo/report.html", "traffic.log", "demo/",
}  # fmt: skip
"""Files that the examples make, or that people name as they like."""
WRITTEN_OUT = {".s2p", ".ts", ".h5", ".venv", ".venv/bin"}
"""Ends of names, and what `make` makes."""
IN_RUN_FILES = {"allan/", "steps/", "zero/", "temperature/", "warm_up/", "budget/", "history/"}


@pytest.fixture(params=DOCUMENTS, ids=lambda each: each.name)
def doc(request):
    return request.param


@cache
def source():
    """The text of every module, product and tests."""
    packages = ("harness", "drivers", "procedures", "tests")
    paths = [path for package in packages for path in (HOUSE / package).rglob("*.py")]
    return {path: path.read_text("utf-8") for path in paths}


@cache
def names_of_the_code():
    return {name for text in source().values() for name in re.findall(r"[A-Za-z_]\w+", text)}


def test_commands_and_their_options_exist(doc):
    for words in doc.command_lines():
        if words[0] == "tareline":
            command, rest = command_of(words[1:])
            known = every_option() if command is None else options_of(command) | {"--help", "-h"}
            missing = options_among(rest) - known
            assert not missing, f"{' '.join(words)}: there is no {missing}"


def test_options_by_themselves_exist(doc):
    alone = {span.split()[0].partition("=")[0] for span in doc.spans if span.startswith("--")}
    assert alone <= every_option()


def test_readme_lists_every_command():
    listed = [names_in(row[1])[0].split()[0] for row in document("README.md").rows("Commands")]
    assert sorted(listed) == sorted(command_tree().commands)


def test_readme_lists_every_procedure():
    (row,) = [r for r in document("README.md").rows("Commands") if "run PROCEDURE" in r[1]]
    assert set(names_in(row[2])) - {"./your_own.py"} == set(known_procedures())


def test_targets_of_make_exist(doc):
    targets = re.findall(r"^([a-z]+):", (HOUSE / "Makefile").read_text("utf-8"), re.MULTILINE)
    asked = {words[1] for words in doc.command_lines() if words[0] == "make"}
    assert asked <= set(targets)


def test_python_programs_exist(doc):
    for words in doc.command_lines():
        if words[:2] == ["python", "-m"]:
            place = HOUSE / words[2].replace(".", "/")
            assert (place / "__main__.py").is_file() or place.with_suffix(".py").is_file(), words


def looks_like_a_file(span):
    """`tareline-run/1` has a stroke and is none."""
    if not re.fullmatch(r"[\w./*-]+", span) or span.startswith("/"):
        return False
    if re.fullmatch(r"tareline-[a-z-]+/\d", span):
        return False
    has_suffix = re.search(r"\.(py|toml|md|csv|h5|html|css|txt|lock|log|yml|svg)$", span)
    return bool(has_suffix) or "/" in span or span.startswith(".")


def is_there(span, folder):
    """`NAME` stands for any name; files of earlier versions are packed."""
    bare = span.removeprefix("./").replace("NAME", "*")
    if bare in INVENTED or span in WRITTEN_OUT:
        return True
    places = (HOUSE, folder, folder / "said", STARTER)
    return any(any(place.glob(bare)) or any(place.glob(f"{bare}.gz")) for place in places)


def test_files_exist(doc):
    words = [word for span in doc.spans if span.startswith("pytest ") for word in span.split()]
    named = {span for span in (*doc.spans, *words) if looks_like_a_file(span)}
    if doc.name == "harness/run_file/README.md":
        named -= IN_RUN_FILES
    assert not {span for span in named if not is_there(span, doc.path.parent)}


def test_links_and_anchors_resolve(doc):
    by_path = {each.path: each for each in DOCUMENTS}
    for link in doc.links:
        if link.startswith("https://"):
            continue
        place, _, anchor = link.partition("#")
        target = (doc.path.parent / place).resolve() if place else doc.path
        assert target.exists(), link
        assert not anchor or anchor in by_path[target].anchors, link


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_the_first_documents_are_short(name):
    assert len(document(name).path.read_bytes()) <= SHORT


def test_what_can_be_typed_at_a_prompt_exists(doc):
    slashed = {span.split()[0] for span in doc.spans if re.match(r"/[a-z-]+( |$)", span)}
    if doc.name != "harness/run_file/README.md":
        assert slashed <= {command.word for command in OperatorCommand}


def test_environment_variables_exist(doc):
    for name in re.findall(r"TARELINE_[A-Z]+", doc.text):
        assert any(f'"{name}"' in text for text in source().values()), name


def test_names_of_the_code_exist(doc):
    """Whatever is written like a function, a class or a key is one somewhere."""
    dotted = [s for s in doc.spans if re.fullmatch(r"[A-Za-z_]\w*(\.[A-Za-z_]\w*)*(\(.*\))?", s)]
    parts = {part for span in dotted for part in span.partition("(")[0].split(".")}
    named = {part for part in parts if re.search(r"[a-z]_[a-z]|[a-z][A-Z]", part)}
    assert named <= names_of_the_code()


def test_names_stand_in_the_files_beside_them():
    """In a row that says where a rule lives, every name is one of the files of that row."""
    developers = document("DEVELOPERS.md")
    for row in [*developers.rows("Where a rule lives"), *developers.rows("How to add")]:
        spans = [span for cell in row for span in names_in(cell)]
        files = [span for span in spans if looks_like_a_file(span)]
        assert files, row
        text = "\n".join(source().get(HOUSE / span, "") for span in files)
        for span in set(spans) - set(files):
            assert re.search(rf"\b{re.escape(span)}\b", text), f"{span} is not in {files}"


def test_python_in_the_documents_runs(doc, monkeypatch, capsys):
    monkeypatch.chdir(HOUSE)
    for block in doc.blocks("python"):
        exec(compile(block, doc.name, "exec"), {})


def test_readme_lists_every_command_in_its_group_and_in_order():
    """As `tareline --help` does."""
    table = (HOUSE / "README.md").read_text("utf-8").partition("| group | command |")[2]
    listed: dict[str, list[str]] = {}
    for line in table.partition("\n\n")[0].splitlines()[2:]:
        group, command = (cell.strip() for cell in line.strip("|").split("|")[:2])
        group = group or list(listed)[-1]
        listed.setdefault(group, []).append(command.strip("`").split()[0])
    expected = {group.lower(): list(commands) for group, commands in GROUPS.items()}
    assert listed == expected
    assert list(listed) == list(expected)
