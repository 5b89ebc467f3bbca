"""What an operator reads and types: large letters, prompts, serial numbers, commands."""

import io
import os
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import InputError
from harness.bench.operator_lines import (
    OperatorCommand,
    checked_serial,
    help_lines,
    listed_serials,
    name_for_files,
    parse_line,
)
from harness.connections.hands_free.hands_free_exchange import caution_of_looks
from harness.connections.large_type import _LETTERS, ROWS, WIDEST, large
from harness.connections.operator_prompts import (
    CAUTIONS,
    Cautions,
    in_both_units,
    item_lines,
    switch_lines,
    through_lines,
    torque,
)
from harness.connections.operator_terminal import OperatorTerminal
from harness.connections.typed_lines import TypedLine, TypedLines
from harness.evaluation.standing import Standing
from harness.report.words.signs import shown
from harness.running.lot.trial_order import trial_order
from harness.station.items import read_workplace
from harness.station.rule_tables import HandsFree
from harness.station.starter_files import write_starter

SERIALS = st.text(
    st.characters(codec="utf-8", exclude_categories=("C",), exclude_characters="\ufffd"),
    min_size=1,
    max_size=40,
).filter(lambda text: text.strip() == text)


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    folder = tmp_path_factory.mktemp("station")
    write_starter(folder)
    return read_workplace(folder / "station.toml", folder / "items.toml").station


@pytest.mark.parametrize("standing", list(Standing))
def test_every_verdict_fits_in_large_type(standing):
    """A terminal of 80 columns and 24 lines still shows the line with the figures above it."""
    rows = large(standing.word)
    assert len(rows) <= 2 * ROWS + 1
    assert max(map(len, rows)) <= WIDEST
    assert set("".join(rows)) <= {"#", " "}


def test_large_letters_are_all_different():
    shapes = {letter: tuple(large(letter)) for letter in _LETTERS}
    assert all(len(rows) == ROWS for rows in shapes.values())
    assert len(set(shapes.values())) == 26


@given(st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ ", min_size=1, max_size=30))
def test_large_type_is_never_too_wide(words):
    if any(6 * len(word) - 1 > WIDEST for word in words.split()):
        with pytest.raises(ValueError, match="too wide"):
            large(words)
    else:
        assert all(len(row) <= WIDEST for row in large(words))


def test_what_has_no_large_form_is_told():
    with pytest.raises(ValueError, match="'5' has no large form"):
        large("pass 5")


@given(SERIALS.filter(lambda text: not text.startswith("/")))
def test_a_scanned_line_is_its_serial_number(serial):
    line = parse_line(f" {serial}\r")
    assert line.command is None
    assert checked_serial(line.text) == serial


@pytest.mark.parametrize("command", list(OperatorCommand))
def test_commands_are_known_in_any_case(command):
    line = parse_line(f"  {command.word.upper()} worn pin ")
    assert (line.command, line.text) == (command, "worn pin")
    assert sum(command.word in text.split() for text in help_lines()) == 1


@pytest.mark.parametrize(
    ("typed", "says"),
    [("/sikp", "did you mean '/skip'"), ("/note", "needs words"), ("/", "no command")],
)
def test_wrong_commands_are_explained(typed, says):
    with pytest.raises(InputError, match=says):
        parse_line(typed)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("PIG\x1b[A", "control character"),
        ("PIG\x0012", "control character"),
        ("PIG\u200b12", "control character"),
        ("PIG\ufffd", "cannot be read"),
        ("P" * 65, "65 signs"),
        ("  ", "empty"),
    ],
)
def test_misread_barcodes_are_refused(text, says):
    with pytest.raises(InputError, match=says):
        checked_serial(text)


@given(SERIALS, SERIALS)
def test_file_names_are_safe_and_tell_serials_apart(one, other):
    name = name_for_files(one)
    assert name
    assert not set(name) & set('/\\ :*?"<>|')
    assert not name.startswith(".")
    assert Path(name).name == name
    assert (name == name_for_files(other)) == (one == other)


def test_a_list_of_serial_numbers():
    text = "\ufeff# LOT-7\nPIG-1\r\n\n  PIG 2 \n"
    assert listed_serials(text, "lot.txt") == ["PIG-1", "PIG 2"]
    with pytest.raises(InputError, match=r"stands there twice(.|\n)*lines 1 and 3"):
        listed_serials("A\nB\nA\n", "lot.txt")
    with pytest.raises(InputError, match=r"control character(.|\n)*line 2"):
        listed_serials("A\nB\x07\n", "lot.txt")
    with pytest.raises(InputError, match="no serial number"):
        listed_serials("# none\n", "lot.txt")


def test_torque_is_told_in_both_units(station):
    """0.56 N m / (0.0254 m x 4.4482216152605 N) = 4.956; inch and pound-force are exact by the
    international agreement of 1959 and standard gravity (NIST SP 811:2008, B.8)."""
    assert torque(station) == "SMA: 0.56 N m (5.0 in lbf)."
    far = {"far_connector": "N", "far_torque_n_m": 1.5}
    mixed = station.model_copy(update={"leads": station.leads.model_copy(update=far)})
    assert torque(mixed) == (
        "At the near lead SMA: 0.56 N m (5.0 in lbf); at the far one N: 1.50 N m (13.3 in lbf)."
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("RG-316 450 mm, 2 x SMA", "RG-316 450 mm (17.7 in), 2 x SMA"),
        ("240-size foam 3 m", "240-size foam 3 m (118 in)"),
        ("18 in of cable", "18 in (457 mm) of cable"),
        ("6 ft", "6 ft (1.83 m)"),
        ("2 x SMA", "2 x SMA"),
        ("0.56 N m", "0.56 N m"),
    ],
)
def test_lengths_are_told_in_both_units(text, says):
    assert in_both_units(text) == says


def test_prompts_say_what_which_end_and_which_torque(station):
    put = item_lines(station, "X-1", 1, 1, ends=("A", "B"), is_out=True)
    again = item_lines(station, "X-1", 2, 2, is_out=False)
    join = through_lines(station, again=True)
    behind = switch_lines(station, "X-1", "101", "102")
    assert "Put X-1" in put[0]
    assert "Undo X-1" in again[0]
    assert "Again, join" in join[0]
    assert "T-02" in join[0]
    assert "End A to the near lead (port 1)" in put[1]
    assert "always this way" in again[1]
    for lines in (put, again, join, behind):
        assert "0.56 N m (5.0 in lbf)" in lines[-1]


def test_all_cautions_come_first_and_then_the_one_that_matters():
    said = Cautions()
    assert said.now("mind this") == [f"! {caution}" for caution in CAUTIONS]
    assert said.now("mind this") == ["! mind this"]


def test_who_is_watched_is_told_that_rf_comes_on_by_itself(station):
    looks = HandsFree.model_validate({"power": "-30 dBm"})
    watched = station.model_copy(update={"hands_free": looks})
    first, second, *_ = Cautions(caution_of_looks(watched)).now("")
    assert "RF comes on BY ITSELF" in first
    assert "-30 dBm" in first
    assert "licence" in second


@given(st.text(max_size=60), st.sampled_from(["ascii", "latin-1", "cp437", "utf-8"]))
def test_every_encoding_shows_something(text, encoding):
    shown(text, encoding).encode(encoding)


def test_signs_are_spelt_out():
    assert shown("→ ✓ 0.5 ± 0.1", "ascii") == "-> + 0.5 +/- 0.1"


class _Terminal(io.TextIOWrapper):
    """A stream that says of itself that it is a terminal."""

    def __init__(self, encoding="utf-8"):
        self.bytes = io.BytesIO()
        super().__init__(self.bytes, encoding=encoding, write_through=True)

    def isatty(self):
        return True

    def text(self):
        return self.bytes.getvalue().decode(self.encoding)


def typing(*lines):
    """Lines as they come from a keyboard, then the end."""
    reading, writing = os.pipe()
    os.write(writing, "".join(f"{line}\n" for line in lines).encode())
    os.close(writing)
    return TypedLines(reading)


def test_a_terminal_asks_until_it_understands():
    to = _Terminal()
    terminal = OperatorTerminal(typing("/help", "/nope", "", "PIG-1", "/stop"), to=to)
    assert terminal.ask("Serial:").text == ""
    assert terminal.ask("Serial:").text == "PIG-1"
    assert terminal.ask("Serial:").command is OperatorCommand.STOP
    with pytest.raises(EOFError):
        terminal.ask("Serial:")
    assert "no command '/nope'" in to.text()
    assert "/redo" in to.text()


@pytest.mark.parametrize(("encoding", "mark"), [("utf-8", "█"), ("ascii", "#")])
def test_a_verdict_is_large_at_a_terminal_and_small_where_all_is_plain(encoding, mark):
    texts = []
    for plain in (False, True):
        to = _Terminal(encoding)
        terminal = OperatorTerminal(typing(), plain=plain, to=to)
        terminal.status("sweeping")
        terminal.bell(2)
        terminal.verdict("X-1  ✓ pass", "pass")
        texts.append(to.text())
    large_text, plain_text = texts
    assert mark * 4 in large_text
    assert "\r\x1b[K" in large_text
    assert plain_text == f"\a\a{shown('X-1  ✓ pass', encoding)}\n"


@given(st.text(max_size=400))
def test_no_line_is_wider_than_the_terminal(text):
    to = _Terminal()
    OperatorTerminal(typing(), to=to).say(text)
    assert all(len(line) <= 80 for line in to.text().split("\n"))


def test_a_line_is_waited_for_with_an_end():
    reading, writing = os.pipe()
    lines = TypedLines(reading)
    assert lines.next(0.0) is None
    threading.Thread(target=os.write, args=(writing, b"half a li")).start()
    assert lines.next(0.05) is None
    os.write(writing, b"ne\r\nlast")
    assert lines.next() == TypedLine("half a line")
    os.close(writing)
    assert lines.next() == TypedLine("last")
    for _ in range(2):
        with pytest.raises(EOFError):
            lines.next(0.0)


@given(
    st.sets(SERIALS, min_size=1, max_size=6), st.sets(SERIALS, min_size=1, max_size=3),
    st.integers(1, 4), SERIALS,
)  # fmt: skip
def test_trials_are_complete_and_come_in_the_same_order_again(serials, operators, repeats, seed):
    names, people = sorted(serials), sorted(operators)
    order = trial_order(names, people, repeats, seed)
    assert order == trial_order(names[::-1], people, repeats, seed)
    keys = [(w.serial, w.parameters["operator"], w.parameters["repeat"]) for w in order]
    assert len(set(keys)) == len(keys) == len(names) * len(people) * repeats
    assert [person for _, person, _ in keys] == [
        person for person in people for _ in range(len(names) * repeats)
    ]


def test_operators_have_orders_of_their_own():
    order = trial_order([f"X-{n}" for n in range(10)], ["A", "B"], 3, "study")
    first, second = order[:30], order[30:]
    assert [w.serial for w in first] != [w.serial for w in second]
    assert [w.serial for w in first] != sorted(w.serial for w in first)
