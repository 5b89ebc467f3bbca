"""A run arranged for the page: every text ready, every drawing made, nothing left to decide."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from harness.analysis.uncertainty.conformity import Decision
from harness.evaluation.standing import (
    Standing,
    agreement,
    deciding_band,
    standing_in_run,
    standing_of_run,
    worst_point,
)
from harness.report.figures import run_figures as figures
from harness.report.figures.budget_figure import budget_figure
from harness.report.pages.stability_view import (
    FaultRow,
    StabilityView,
    condensed,
    faults_of,
    view_stability,
)
from harness.report.words import numbers, particulars
from harness.report.words.decisions import advice_of, is_accepted, risk_of
from harness.report.words.diagnosis_words import finding_of_run
from harness.report.words.event_words import event_text
from harness.report.words.night_words import night_sentence
from harness.report.words.particulars import Row
from harness.report.words.rating_words import rating_notes
from harness.report.words.sentences import band_span, greatest_first, item_name, notes_of, sentences
from harness.report.words.validity import how_combined, marks_of
from harness.run_file.run import BandResult, Event, Run, moment

NONE = "–"


@dataclass(frozen=True)
class BudgetLine:
    """One contribution at the worst point."""

    name: str
    type: str
    distribution: str
    dof: str
    u: str


@dataclass(frozen=True)
class BandView:
    """One band. `figure` and `budget_figure` are finished SVG elements."""

    name: str
    span: str
    standing: Standing
    worst_at: str
    loss: str
    expected: str
    agreement: str
    limit: str
    margin: str
    probability: str
    risk: str
    """Specific risk of the consumer where it is accepted, of the producer where it is not."""
    figure: str
    budget_figure: str
    budget: list[BudgetLine]
    u: str
    effective_dof: str
    coverage_factor: str
    expanded: str


@dataclass(frozen=True)
class RunView:
    """One run. `insertions_figure` and `zero_figure` are empty where there is nothing to draw."""

    anchor: str
    item: str
    description: str
    standing: Standing
    simulated: bool
    sentences: list[str]
    deciding: BandView | None
    bands: list[BandView]
    marks: list[tuple[str, str]]
    """What the zero did that the station does not allow, by band."""
    combined: str
    """How the contributions were combined."""
    notes: list[tuple[str, str]]
    """Bands concerned (none: all of them) and what is to be known."""
    advice: list[tuple[str, str]]
    """Bands with a conditional verdict other than the deciding one, and what would decide them."""
    insertions_figure: str
    zero_figure: str
    sources: list[tuple[str, list[str]]]
    rule: str
    station_name: str
    run_rows: list[Row]
    item_groups: list[tuple[str, list[Row]]]
    station_groups: list[tuple[str, list[Row]]]
    instruments: list[dict[str, str]]
    is_night: bool
    """Whether it kept a schedule: its stability then stands first."""
    stability: StabilityView | None
    """None for runs too short for one."""
    faults: list[FaultRow]
    """What went wrong and was mended."""
    more_faults: int
    """Faults beyond those listed."""
    events_left_out: str
    """A sentence on the events that are not listed; empty where all are."""
    events: list[tuple[str, str, str]] = field(default_factory=list)


def view_run(run: Run, anchor: str) -> RunView:
    """Arrange `run`; `anchor` is its id in the page and the beginning of its drawings' ids."""
    bands = [
        _view_band(name, band, f"{anchor}-band{place}", standing_in_run(run, name))
        for place, (name, band) in enumerate(run.bands.items(), start=1)
    ]
    named = {band.name: band for band in bands}
    scattered = any(len(band.insertion_means_db) > 1 for band in run.bands.values())
    checked = any(len(band.zero_change_db) > 1 for band in run.bands.values())
    night = night_sentence(run)
    faults, more_faults = faults_of(run)
    listed, left_out = condensed(run.events)
    rules = {band.decision.rule: None for band in run.bands.values() if band.decision}
    return RunView(
        anchor=anchor,
        item=item_name(run),
        description=str(run.item.get("description") or ""),
        standing=standing_of_run(run),
        simulated=run.simulated,
        sentences=[
            *sentences(run),
            *finding_of_run(run),
            *([night] if night else []),
        ],
        is_night=bool(night),
        deciding=named[deciding_band(run)] if bands else None,
        bands=bands,
        marks=marks_of(run),
        combined=how_combined(run),
        # the sentences say why there is no verdict, unless the item is to be measured again
        notes=[*notes_of(run, doubts=bool(run.wanted_again)), *rating_notes(run)],
        advice=[entry for entry in advice_of(run) if entry[0] != deciding_band(run)],
        insertions_figure=(
            figures.insertions_figure(run.bands, f"{anchor}-insertions") if scattered else ""
        ),
        zero_figure=(
            figures.zero_figure(run.bands, _started_unix(run), f"{anchor}-zero") if checked else ""
        ),
        sources=_sources(run),
        rule="; ".join(rules),
        station_name=str(run.station.get("name") or ""),
        run_rows=_run_rows(run),
        item_groups=particulars.groups(run.item),
        station_groups=particulars.groups(run.station),
        instruments=[_instrument(instrument) for instrument in run.instruments],
        stability=view_stability(run, _started_unix(run), anchor) if bands else None,
        faults=faults,
        more_faults=more_faults,
        events_left_out=left_out,
        events=[_event(event, run.started) for event in listed],
    )


def _view_band(name: str, band: BandResult, key: str, standing: Standing) -> BandView:
    point = worst_point(band)
    u = point.expanded_uncertainty_db
    decision = band.decision
    expected_known = math.isfinite(point.expected_db)
    return BandView(
        name=name,
        span=band_span(band),
        standing=standing,
        worst_at=numbers.frequency(point.frequency_hz),
        loss=numbers.with_uncertainty(point.insertion_loss_db, u),
        expected=(
            numbers.with_uncertainty(point.expected_db, point.expected_expanded_uncertainty_db)
            if expected_known
            else NONE
        ),
        agreement=agreement(point).value,
        limit=numbers.limit(point.limit_db, u) if math.isfinite(point.limit_db) else NONE,
        margin=numbers.signed(point.margin_db, u) if decision else NONE,
        probability=numbers.probability(decision.conformance_probability) if decision else NONE,
        risk=_risk(decision),
        figure=figures.loss_figure(name, band, f"{key}-loss", standing),
        budget_figure=budget_figure(name, band),
        budget=[
            BudgetLine(
                line.name,
                line.type,
                line.distribution,
                numbers.degrees_of_freedom(
                    float(np.broadcast_to(line.dofs, band.frequency_hz.shape)[point.index])
                ),
                numbers.two_digits(float(line.standard_uncertainty_db[point.index])),
            )
            for line in greatest_first(band)
        ],
        u=numbers.two_digits(float(band.standard_uncertainty_db[point.index])),
        effective_dof=numbers.degrees_of_freedom(float(band.effective_dof[point.index])),
        coverage_factor=numbers.rounded(float(band.coverage_factor[point.index]), -2),
        expanded=numbers.two_digits(u),
    )


def _risk(decision: Decision | None) -> str:
    if decision is None:
        return NONE
    whose = "consumer" if is_accepted(decision) else "producer"
    return f"{whose}'s risk: {numbers.probability(risk_of(decision))}"


def _sources(run: Run) -> list[tuple[str, list[str]]]:
    gathered: dict[str, dict[str, None]] = {}
    for band in run.bands.values():
        for line in band.budget:
            gathered.setdefault(line.name, {})[line.source] = None
    return [(name, list(sources)) for name, sources in gathered.items()]


def _run_rows(run: Run) -> list[Row]:
    started, finished = moment(run.started), moment(run.finished)
    stated = [
        ("Run", run.run_id),
        ("Run file", run.path.name),
        ("Procedure", run.procedure),
        ("Started", numbers.clock(run.started)),
        ("Finished", numbers.clock(run.finished) if run.finished else "not finished"),
    ]
    if started and finished:
        stated.append(("Took", numbers.duration((finished - started).total_seconds())))
    stated.append(("Software", run.software))
    stated.append(("Readings", "simulated" if run.simulated else "measured"))
    plain = [Row((), label, value or particulars.NOT_STATED) for label, value in stated]
    return plain + [
        Row((), f"Parameter: {row.label.lower()}", row.value)
        for row in particulars.rows(run.parameters)
    ]


def _instrument(instrument: dict[str, str]) -> dict[str, str]:
    keys = ("role", "resource", "identity")
    return {key: instrument.get(key) or particulars.NOT_STATED for key in keys}


def _event(event: Event, started: str) -> tuple[str, str, str]:
    start = moment(started)
    zone = start.tzinfo if start else None
    return numbers.clock_of_unix(event.time, zone), event.kind, event_text(event.text)


def _started_unix(run: Run) -> float:
    """Unix time of the run's start, or of the earliest check where the stamp is unreadable."""
    start = moment(run.started)
    if start:
        return start.timestamp()
    return min(float(band.zero_time.min()) for band in run.bands.values() if band.zero_time.size)
