"""`tareline sample-size`: plain words, a table, JSON and a drawing."""

import json
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner

from drivers.errors import InputError, UnwritableError
from harness.commands.cli import app
from harness.report.pages.figure_file import write_figure


def ask(*arguments, width=80):
    return CliRunner().invoke(app, ["sample-size", *arguments], env={"COLUMNS": str(width)})


def answer(*arguments):
    done = ask(*arguments, "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document["schema"] == "tareline-sample-size/1"
    return document


def test_a_lot_in_plain_words():
    """132 and 3 for a process, and fewer for a lot, by the tests of the arithmetic."""
    said = ask("--lot", "500").output
    assert "Check 123 items of the 500 in the lot, taken at random." in said
    assert "Accept the lot if at \nmost 3 fail; reject it if 4 or more fail." in said
    assert max(len(line) for line in said.splitlines()) <= 80
    rows = [line for line in said.splitlines() if line.count("%") == 3]
    assert 6 <= len(rows) <= 9
    assert answer()["sample_size"] == 132
    assert answer()["distribution"] == "binomial"


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_no_line_is_wider_than_the_terminal(width):
    said = ask("--lot", "2000", width=width).output
    assert max(len(line) for line in said.splitlines()) <= width


def test_nobody_may_fail():
    """With 95 % confidence less than 5 % bad: 59 (common practice)."""
    arguments = ("--accept-number", "0", "--reject-quality", "5 %", "--consumer-risk", "0.05")
    found = answer(*arguments)
    assert (found["sample_size"], found["acceptance_number"]) == (59, 0)
    said = " ".join(ask(*arguments).output.split())
    assert "if none fails; reject it if any fails" in said
    assert "If none fails, less than 5 % are bad with 95.2 % confidence." in said
    assert "more than the 5 % that was asked" in said


def test_a_plan_that_is_settled_is_assessed():
    found = answer("--sample", "80", "--accept-number", "2", "--lot", "1000")
    assert (found["sample_size"], found["lot_size"]) == (80, 1000)
    curve = found["operating_characteristic"]
    assert len(curve["fraction"]) == len(curve["acceptance_probability"])
    assert curve["acceptance_probability"][0] == 1.0


def test_a_whole_lot():
    said = " ".join(ask("--lot", "5", "--reject-quality", "20 %").output.split())
    assert said.startswith("Check all items. Accept the lot if none fails")


def test_the_operating_characteristic_is_drawn(tmp_path):
    picture, page = tmp_path / "oc.svg", tmp_path / "oc.html"
    done = ask("--lot", "500", "--figure", str(picture))
    assert f"figure: {picture}" in done.output.replace("\n", "")
    root = ElementTree.fromstring(picture.read_text("utf-8"))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    drawing = root.find(".//{*}svg")
    assert "Check 123 items" in drawing.attrib["aria-label"]
    assert "producer's point" in "".join(root.itertext())
    write_figure([ElementTree.tostring(drawing, "unicode")], page, "A <plan>", ["1 % & more"])
    text = page.read_text("utf-8")
    assert "<h1>A &lt;plan&gt;</h1>" in text
    assert "% &amp; more</p>" in text
    assert "<script" not in text


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--accept-quality", "a few"], "--accept-quality 'a few' is not a share"),
        (["--consumer-risk", "100 %"], "--consumer-risk '100 %' is not a share"),
        (["--accept-quality", "5 %"], "there is no such plan: .* must be below"),
        (["--producer-risk", "0 %"], "a risk of 0 %"),
        (["--sample", "20"], "not how many of them may fail"),
        (["--sample", "20", "--accept-number", "0", "--lot", "10"], "cannot be taken from 10"),
        (["--lot", "40", "--accept-number", "2"], "has no more than 2"),
        (["--lot", "10", "--accept-quality", "4 %", "--reject-quality", "4.1 %",
          "--figure", "x.png"], "neither a .svg nor a .html"),
    ],
)  # fmt: skip
def test_what_cannot_be_asked(arguments, message):
    done = ask(*arguments)
    assert isinstance(done.exception, InputError)
    with pytest.raises(InputError, match=message):
        raise done.exception


def test_a_figure_that_cannot_be_written_is_file_trouble():
    done = ask("--figure", "/nowhere/at/all.svg")
    assert isinstance(done.exception, UnwritableError)
    assert "'/nowhere/at/all.svg' cannot be written" in str(done.exception)
