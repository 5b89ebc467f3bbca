"""The stability of a run arranged for the page, and the events of a run however long."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drivers.quantities import counted
from harness.report.figures import stability_figures
from harness.report.figures.stability_figures import FAULTS
from harness.report.words import numbers
from harness.report.words.event_words import event_text
from harness.report.words.stability_words import (
    best_average,
    drift_estimate,
    drift_of,
    is_seen,
    marked_in,
    temperature_of,
    zero_of,
)
from harness.run_file.run import FOR_PROGRAMS, BandResult, Event, Run, moment

NONE = "–"
MOST_FAULTS = 50
MOST_EVENTS = 100
SHOWN_AT_EACH_END = 20


@dataclass(frozen=True)
class BandStability:
    """One band; `under` of a figure is what stands below it in small type."""

    name: str
    sweeps: str
    sweeps_under: str
    drift: str
    drift_under: str
    repeatability: str
    repeatability_under: str
    best: str
    best_under: str
    temperature: str
    temperature_under: str
    settled: str
    settled_under: str
    marked: str
    figure: str


@dataclass(frozen=True)
class FaultRow:
    """A row of the table of faults."""

    time: str
    kind: str
    text: str
    until: str
    """How long until the next sweep was kept."""


@dataclass(frozen=True)
class StabilityView:
    """A section of the page; figures are finished SVG elements, empty where there is none."""

    bands: list[BandStability]
    allan_figure: str
    temperature_figure: str
    notes: list[tuple[str, str]]
    zero: list[tuple[str, str]]


def view_stability(run: Run, started: float, anchor: str) -> StabilityView | None:
    """None where no band has any."""
    shown = {name: band for name, band in run.bands.items() if band.stability is not None}
    if not shown:
        return None
    warm = {
        name: band
        for name, band in shown.items()
        if band.stability is not None and band.stability.temperature is not None
    }
    bands = [
        _view(name, band, run.events, started, f"{anchor}-time{place}")
        for place, (name, band) in enumerate(shown.items(), start=1)
    ]
    return StabilityView(
        bands=bands,
        allan_figure=stability_figures.allan_figure(shown, f"{anchor}-allan"),
        temperature_figure=(
            stability_figures.temperature_figure(warm, started, f"{anchor}-temperature")
            if warm
            else ""
        ),
        notes=_gathered({name: _notes(band) for name, band in shown.items()}),
        zero=_gathered({name: _zero(band) for name, band in shown.items()}),
    )


def _view(
    name: str, band: BandResult, events: Sequence[Event], started: float, key: str
) -> BandStability:
    found = band.stability
    assert found is not None
    best, best_under = best_average(found)
    temperature, temperature_under = temperature_of(found)
    spans = found.span_repeatability_db[np.isfinite(found.span_repeatability_db)] * 1e3
    warm_up = found.warm_up
    seen = is_seen(drift_estimate(found))
    beside = found.temperature is not None and found.temperature.is_told_apart
    return BandStability(
        name=name,
        sweeps=counted(found.sweeps, "sweep"),
        sweeps_under=f"in {numbers.duration(found.end - found.begin)}",
        drift=drift_of(found),
        drift_under=("" if seen else "none seen")
        + ("beside temperature" if seen and beside else ""),
        repeatability=f"{numbers.two_digits(found.repeatability_db * 1e3)} mdB",
        repeatability_under=(
            f"{numbers.two_digits(float(spans.min()))} to {numbers.two_digits(float(spans.max()))}"
            if len(spans) > 1
            else ""
        ),
        best=best or NONE,
        best_under=best_under,
        temperature=temperature or NONE,
        temperature_under=temperature_under,
        settled="no settling seen" if warm_up is None else numbers.duration(warm_up.settled_s),
        settled_under=(
            ""
            if warm_up is None
            else f"from {warm_up.approach_db * 1e3:+.2g} mdB, time constant "
            f"{numbers.duration(warm_up.time_constant_s)}"
        ),
        marked=marked_in(found),
        figure=stability_figures.time_figure(name, band, events, started, key),
    )


def _notes(band: BandResult) -> tuple[str, ...]:
    return band.stability.notes if band.stability else ()


def _zero(band: BandResult) -> tuple[str, ...]:
    return (zero_of(band.stability),) if band.stability else ()


def _gathered(said: dict[str, tuple[str, ...]]) -> list[tuple[str, str]]:
    """Each sentence once with its bands; no bands where it concerns all of several."""
    bands_of: dict[str, list[str]] = {}
    for name, sentences in said.items():
        for sentence in sentences:
            bands_of.setdefault(sentence, []).append(name)
    return [
        ("" if len(names) == len(said) else ", ".join(names), sentence)
        for sentence, names in bands_of.items()
    ]


def faults_of(run: Run) -> tuple[list[FaultRow], int]:
    """What went wrong and was mended, at most 50 of them, and how many there are beyond."""
    start = moment(run.started)
    zone = start.tzinfo if start else None
    times = [band.series.time for band in run.bands.values() if band.series is not None]
    kept = np.sort(np.concatenate(times)) if times else np.empty(0)
    faults = [event for event in run.events if event.kind in FAULTS]
    shown = []
    for event in faults[:MOST_FAULTS]:
        after = int(np.searchsorted(kept, event.time, side="right"))
        until = numbers.duration(kept[after] - event.time) if after < len(kept) else NONE
        when = numbers.clock_of_unix(event.time, zone)
        shown.append(FaultRow(when, event.kind, event_text(event.text), until))
    return shown, max(len(faults) - MOST_FAULTS, 0)


def condensed(events: Sequence[Event]) -> tuple[list[Event], str]:
    """The events to be listed, and a sentence on those that are not."""
    events = [event for event in events if event.kind not in FOR_PROGRAMS]
    if len(events) <= MOST_EVENTS:
        return events, ""
    counts = Counter(event.kind for event in events)
    by_kind = ", ".join(f"{kind} {count}" for kind, count in counts.most_common())
    left_out = len(events) - 2 * SHOWN_AT_EACH_END
    return [*events[:SHOWN_AT_EACH_END], *events[-SHOWN_AT_EACH_END:]], (
        f"There are {counted(len(events), 'event')} ({by_kind}). Listed are the first "
        f"and the last {SHOWN_AT_EACH_END}; the other {left_out} are in the run file."
    )
