"""A confirmation counts only after it was asked: at a real pseudo-terminal, and piped."""

import io
import os
import pty
import termios
import threading
import time

import pytest

from harness.bench.operator_lines import OperatorCommand
from harness.connections.operator_terminal import SAME_PRESS, OperatorTerminal
from harness.connections.typed_lines import SAME_PRESS_S, Forgotten, TypedLine, TypedLines

A_PERSONS_PAUSE_S = 2.0 * SAME_PRESS_S


@pytest.fixture
def keyboard():
    """The end at which somebody types, and the end that is read, of a terminal."""
    ours, theirs = pty.openpty()
    yield ours, theirs
    os.close(ours)
    os.close(theirs)


def arrived():
    """Give what was typed the time to come through the terminal; half a line cannot be seen."""
    time.sleep(0.05)


def test_what_was_typed_before_is_forgotten(keyboard):
    """Whole lines and half of one; what comes afterwards counts, and the terminal is as it was."""
    ours, theirs = keyboard
    before = termios.tcgetattr(theirs)
    lines = TypedLines(theirs)
    os.write(ours, b"\r\rPIG-07")
    arrived()
    assert lines.forget() == Forgotten(("", "", "PIG-07"))
    assert termios.tcgetattr(theirs) == before
    assert lines.next(0.0) is None
    assert lines.forget() == Forgotten()
    time.sleep(A_PERSONS_PAUSE_S)
    os.write(ours, b"\r")
    assert lines.next(5.0) == TypedLine("")


def test_a_scan_across_the_prompt_is_forgotten_to_its_end(keyboard):
    """Its second half would be another serial number."""
    ours, theirs = keyboard
    lines = TypedLines(theirs)
    os.write(ours, b"PIG")
    arrived()
    rest = threading.Timer(0.03, os.write, (ours, b"-0704\r"))
    rest.start()
    assert lines.forget() == Forgotten(("PIG-0704",))
    rest.join()
    assert lines.next(0.0) is None


def test_the_enter_after_a_line_is_the_same_press(keyboard):
    """CR and LF of one scan, whether the prompt comes between them or not, and a key that is held
    down; an Enter after a person's pause is an answer."""
    ours, theirs = keyboard
    lines = TypedLines(theirs)
    os.write(ours, b"PIG-0704\r\n\r\r\r")
    assert lines.next(5.0) == TypedLine("PIG-0704")
    for _ in range(4):
        assert lines.next(5.0) == TypedLine("", is_same_press=True)
    time.sleep(A_PERSONS_PAUSE_S)
    os.write(ours, b"PIG-0705\r\n")
    assert lines.next(5.0) == TypedLine("PIG-0705")
    assert lines.forget() == Forgotten(("",), is_same_press=True)
    os.write(ours, b"\r")
    assert lines.next(5.0) == TypedLine("")


def test_what_is_piped_keeps_its_order():
    """A script's answers are never forgotten, however soon; CR and LF are one end, also where they
    come apart, and LF and LF are two."""
    reading, writing = os.pipe()
    lines = TypedLines(reading)
    for piece in (b"PIG-1\r", b"\n", b"\n\r", b"\r\n", b"\n/stop"):
        os.write(writing, piece)
        assert lines.forget() == Forgotten()
    os.close(writing)
    assert [lines.next() for _ in range(6)] == [
        TypedLine(text) for text in ("PIG-1", "", "", "", "", "/stop")
    ]
    with pytest.raises(EOFError):
        lines.next()
    os.close(reading)


def test_a_closed_terminal_is_an_end():
    ours, theirs = pty.openpty()
    lines = TypedLines(theirs)
    os.close(ours)
    assert lines.forget() == Forgotten()
    with pytest.raises(EOFError):
        lines.next(5.0)
    os.close(theirs)


def test_the_prompt_says_what_it_dropped(keyboard):
    """And waits for an answer of its own; two Enters of a reader are told once."""
    ours, theirs = keyboard
    shown = io.StringIO()
    terminal = OperatorTerminal(TypedLines(theirs), to=shown)
    os.write(ours, b"\r\r/stop\rPIG-1\rPIG-2\rPIG-3\r")
    arrived()
    for line in (b"PIG-4\r\n", b"/skip\r\n"):
        later = threading.Timer(A_PERSONS_PAUSE_S + 0.1, os.write, (ours, line))
        later.start()
        meant = terminal.ask("Serial:")
        later.join()
    assert meant.command is OperatorCommand.SKIP
    told = " ".join(shown.getvalue().split())
    assert "typed before it was asked: '/stop', 'PIG-1', 'PIG-2', 1 more, Enter 2 times." in told
    assert told.count(SAME_PRESS) == 1
