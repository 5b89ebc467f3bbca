"""Expected loss in the terminal: candidates in order, and the first of them part by part."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from harness.analysis.expected.expected_loss import PartLoss
from harness.analysis.expected.link_effect import power_lost, range_lost
from harness.planning.expectation import Candidate, Job, LongestLength
from harness.report.words import numbers
from harness.report.words.numbers import CONFIDENCE

GAP = 2
_SPELT_OUT = {"±": "+/-", "°": "deg ", "µ": "u", "–": "-"}


def print_expectation(candidates: Sequence[Candidate], console: Console) -> None:
    """Write ranked `candidates`, at least one: their order if several, then all of the first."""
    if len(candidates) > 1:
        _print_order(candidates, console)
        say(console, "")
    _print_first(candidates[0], console)


def _print_order(candidates: Sequence[Candidate], console: Console) -> None:
    job = candidates[0].job
    first = "longest cable" if candidates[0].longest is not None else f"least {_kind(job)}"
    say(console, f"Candidates, {first} first", "bold")
    for place, candidate in enumerate(candidates, start=1):
        worst = int(candidate.judged_db.argmax())
        at = numbers.frequency(float(job.frequency_hz[worst]))
        say(console, f"{place}. {candidate.title}")
        said = [f"{_judged(candidate, worst)} dB at {at}"]
        if job.limit_db is not None and not candidate.against:
            standing = max(candidate.standings, key=lambda s: s.order)
            said.append(f"{standing}, limit {job.limit_db:g} dB")
        say(console, f"   {'; '.join(said)}", "dim" if candidate.against else "")
        for reason in candidate.against:
            say(console, f"   {reason}")
        if candidate.longest is not None:
            say(console, f"   {_longest(candidate.longest)}")


def _print_first(candidate: Candidate, console: Console) -> None:
    job = candidate.job
    say(console, candidate.title, "bold")
    limits = f", lengths within ± {_length(job.length_limits_m)}" if job.length_limits_m else ""
    say(console, f"expected loss in dB at {job.temperature_c:g} °C{limits}", "dim")
    count = len(job.frequency_hz)
    rows = list(_rows(candidate, range(count)))
    labels = max(len(shown(label, console)) for label, _ in rows)
    cells = max(len(shown(cell, console)) for _, cells in rows for cell in cells)
    columns = max(1, (console.width - labels - GAP) // (cells + GAP))
    for start in range(0, count, columns):
        places = range(start, min(start + columns, count))
        if start:
            say(console, "")
        console.print(_breakdown(candidate, places, console))
    say(console, f"± U with {CONFIDENCE} confidence; {_effect_of(job)}.", "dim")
    if candidate.longest is not None:
        say(console, _longest(candidate.longest))
    for sentence in _remarks(candidate):
        say(console, f"note: {sentence}")


def _breakdown(candidate: Candidate, places: range, console: Console) -> Table:
    table = Table(box=None, padding=(0, GAP, 0, 0), pad_edge=False, header_style="bold")
    table.add_column("", overflow="fold")
    for i in places:
        heading = numbers.frequency(float(candidate.job.frequency_hz[i]))
        table.add_column(shown(heading, console), justify="right", no_wrap=True)
    for label, cells in _rows(candidate, places):
        table.add_row(shown(label, console), *[shown(cell, console) for cell in cells])
    return table


def _rows(candidate: Candidate, places: range) -> Iterator[tuple[str, list[str]]]:
    expected, job = candidate.expected, candidate.job
    for part in expected.parts:
        pairs = zip(part.loss_db, part.expanded_uncertainty_db, strict=True)
        cells = [numbers.with_uncertainty(float(loss), float(u)) for loss, u in pairs]
        yield _label(part), [cells[i] for i in places]
    whole = [_with_u(candidate, i) for i in places]
    yield "together", whole
    maximum_db = expected.maximum_db
    if maximum_db is not None:
        yield "maximum", [f"{maximum_db[i]:.2f}" for i in places]
    if job.limit_db is not None:
        yield f"limit {job.limit_db:g} dB", [str(candidate.standings[i]) for i in places]
    judged_db = candidate.judged_db
    yield "power lost", [f"{100 * power_lost(judged_db)[i]:.1f} %" for i in places]
    yield "range lost", [f"{100 * range_lost(judged_db)[i]:.1f} %" for i in places]


def _remarks(candidate: Candidate) -> Iterator[str]:
    yield from candidate.against
    yield from candidate.expected.notes
    if candidate.memories:
        yield (
            f"No document is behind the figures of {', '.join(candidate.memories)}, but memory or "
            "common practice; put your own into the file that the station's key `catalogue` names."
        )


def _effect_of(job: Job) -> str:
    return f"what a link loses is told of the {_kind(job)}, range in free space"


def _kind(job: Job) -> str:
    return "maximum loss" if job.by_maximum else "nominal loss"


def _judged(candidate: Candidate, place: int) -> str:
    if candidate.job.by_maximum:
        return f"maximum {candidate.judged_db[place]:.2f}"
    return _with_u(candidate, place)


def _with_u(candidate: Candidate, place: int) -> str:
    expected = candidate.expected
    return numbers.with_uncertainty(
        float(expected.loss_db[place]), float(expected.expanded_uncertainty_db[place])
    )


def _longest(longest: LongestLength) -> str:
    said = f"{longest.cable} stays below {longest.under_db:g} dB up to {_length(longest.judged_m)}"
    if longest.by_maximum:
        return f"{said}, even at its most"
    if longest.assured_m is None:
        return f"{said}; with U, not even without it"
    return f"{said}; with U, up to {_length(longest.assured_m)}"


def _label(part: PartLoss) -> str:
    count = f"{part.part.count} x " if part.part.count > 1 else ""
    length = "" if part.part.length_m is None else f" {_length(part.part.length_m)}"
    return f"{count}{part.entry.name}{length}"


def _length(metres: float) -> str:
    """Never longer than it is, so that what is cut to it keeps its limit."""
    if metres < 1.0:
        return f"{_cut(metres * 1e3, 1e-9):g} mm"
    return f"{_cut(metres * 1e3, 1e-6) / 1e3:g} m"


def _cut(millimetres: float, slack: float) -> float:
    """To a tenth of a millimetre, downwards, unless rounding of the machine is all that lacks."""
    return int(millimetres * 10.0 * (1.0 + slack) + slack) / 10.0


def say(console: Console, text: str, style: str = "") -> None:
    """Write a line, whatever signs it has."""
    console.print(shown(text, console), style=style or None)


def shown(text: str, console: Console) -> str:
    """`text` in signs that the console has; plain text, not markup."""
    plain = numbers.printable(text)
    for sign, spelt in _SPELT_OUT.items():
        if sign.encode(console.encoding, "replace") == b"?":
            plain = plain.replace(sign, spelt)
    return escape(plain.encode(console.encoding, "replace").decode(console.encoding))
