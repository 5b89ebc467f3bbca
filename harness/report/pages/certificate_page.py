"""A certificate for one item, on one printable page.

Arranged by ISO/IEC 17025:2017, 7.8.2.1 (what every report includes, a to p), 7.8.6 (statements of
conformity) and, from memory, 7.8.4.1 (uncertainty, conditions, traceability) and 7.8.7 (opinions
apart from results). It claims no accreditation, and says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

from harness.evaluation.standing import Standing, standing_in_run, standing_of_run, worst_point
from harness.report.pages.frame import css_string, render
from harness.report.words import numbers
from harness.report.words.decisions import is_accepted, risk_of
from harness.report.words.numbers import CONFIDENCE
from harness.report.words.sentences import band_span, bands_sentence, item_name
from harness.report.words.validity import doubts_of, how_combined, marks_of
from harness.run_file.run import Run, moment
from harness.station.certificate_details import Calibration, CertificateDetails, Party

TITLE = "Certificate of measurement: insertion loss"
SIMULATED = "Simulated: nothing was measured, this certifies no real item"
NO_TRACEABILITY = "None: the readings are simulated."
NOT_ACCREDITED = (
    "Not issued under an accreditation; it claims none and bears the mark of no accreditation body."
)
ONLY_THESE = "The results relate only to the item measured, as it was when measured."
IN_FULL = "Not to be reproduced except in full without approval of the laboratory."
NO_INSTRUMENT = ("simulated hand",)
"""Roles of a run that measure nothing."""


@dataclass(frozen=True)
class ResultRow:
    """One band at its deciding point; every text finished."""

    band: str
    span: str
    at: str
    loss: str
    u: str
    k: str
    limit: str
    margin: str
    standing: Standing
    risk: str


@dataclass(frozen=True)
class InstrumentRow:
    """One instrument; an empty text is a line to fill in."""

    role: str
    identity: str
    certificate: str
    calibrated: str
    due: str


def certificate_page(run: Run, details: CertificateDetails, sha256: str, despite: str = "") -> str:
    """The page as text; `sha256` is that of the run file.

    `despite` says why it is issued although something is doubted of the run (`doubts_of`).

    Raises:
        ValueError: the run is not finished, so that there is nothing to certify, or it is doubted
            and nobody says why it is issued.
    """
    if standing_of_run(run) is Standing.UNFINISHED:
        raise ValueError("the run is not finished: it states no result to certify")
    doubts = doubts_of(run)
    if doubts and not despite:
        raise ValueError(f"the run is doubted: {' '.join(doubts)}")
    number = details.number or run.run_id
    foot = (
        "@page { margin: 12mm 14mm 14mm; "
        f"@bottom-left {{ content: {css_string(f'{TITLE}, {number}')}; }} }}"
    )
    return render(
        "certificate.html",
        ["page.css", "certificate.css"],
        foot,
        title=TITLE,
        number=details.number,
        run=run,
        item=item_name(run),
        description=str(run.item.get("description") or ""),
        details=details,
        laboratory=_party(details.laboratory),
        customer=_party(details.customer),
        simulated_banner=SIMULATED,
        measured=_days_of(run),
        day=_day,
        method=_method(run),
        temperature=_temperature(run),
        uncertainty=_uncertainty(run),
        rows=[_row(run, name) for name in run.bands],
        standing=standing_of_run(run),
        statement=bands_sentence(run),
        conformity=_conformity(run, details),
        remarks=_remarks(run),
        doubts=doubts,
        despite=despite if doubts else "",
        instruments=[] if run.simulated else _instruments(run, details),
        traceability=NO_TRACEABILITY if run.simulated else details.traceability,
        sha256=sha256,
        small_print=(ONLY_THESE, IN_FULL, NOT_ACCREDITED),
    )


def roles_of(run: Run) -> list[str]:
    """Roles of the run's instruments that measure."""
    return [role for role in dict.fromkeys(i.get("role", "") for i in run.instruments)
            if role not in NO_INSTRUMENT]  # fmt: skip


def _party(party: Party) -> list[str]:
    return [part for part in (party.name, *party.address, party.contact) if part]


def _day(day: date | None) -> str:
    return "" if day is None else day.isoformat()


def _days_of(run: Run) -> str:
    """The day of the measurement, or the first and the last."""
    moments = [moment(stamp) for stamp in (run.started, run.finished)]
    days = list(dict.fromkeys(m.date().isoformat() for m in moments if m))
    return " to ".join(days)


def _row(run: Run, name: str) -> ResultRow:
    band = run.bands[name]
    point = worst_point(band)
    u = point.expanded_uncertainty_db
    decision = band.decision
    risk = ""
    if decision is not None:
        whose = "consumer" if is_accepted(decision) else "producer"
        risk = f"{whose} {numbers.probability(risk_of(decision))}"
    known = math.isfinite(u) and u > 0.0
    return ResultRow(
        band=name,
        span=band_span(band),
        at=numbers.frequency(point.frequency_hz),
        loss=numbers.companion(point.insertion_loss_db, u),
        u=numbers.companion(u, u) if known else "unknown",
        k=numbers.rounded(float(band.coverage_factor[point.index]), -2),
        limit=numbers.limit(point.limit_db, u) if math.isfinite(point.limit_db) else "none",
        margin=numbers.signed(point.margin_db, u) if decision else "–",
        standing=standing_in_run(run, name),
        risk=risk,
    )


def _method(run: Run) -> str:
    bands = list(run.bands.values())
    insertions = max(len(band.insertion_means_db) for band in bands)
    checks = max(len(band.zero_time) for band in bands)
    taken = "one insertion" if insertions == 1 else f"the mean of {insertions} insertions"
    joined = {1: "once", 2: "twice"}.get(checks, f"{checks} times")
    return (
        f"Insertion loss by substitution: the item in place of a through that was joined {joined} "
        f"in all; {taken}. Procedure {run.procedure}, run {run.run_id}; {_software(run)}."
    )


def _software(run: Run) -> str:
    return run.software.partition(",")[0] or "software not stated"


def _temperature(run: Run) -> str:
    """As the station states it; empty where it does not."""
    stated = run.station.get("temperature_c")
    if stated is None:
        return ""
    limits = run.station.get("temperature_limits_k") or 0.0
    within = f" within {limits:g} K" if limits else ""
    return f"{stated:g} °C{within}, as stated for the station"


def _uncertainty(run: Run) -> str:
    return (
        f"U is the expanded uncertainty for a coverage probability of {CONFIDENCE}; U = k u, with "
        "k from the effective degrees of freedom. " + how_combined(run)
    )


def _conformity(run: Run, details: CertificateDetails) -> list[tuple[str, str]]:
    """Label and text: to which results it applies, which specification, by which rule (7.8.6.2)."""
    judged = [name for name, band in run.bands.items() if band.decision is not None]
    if not judged and any(band.limit_db is not None for band in run.bands.values()):
        return [("Statement", "none is made, although limits are stated: the run is doubted")]
    if not judged:
        return []
    rules = list(dict.fromkeys(b.decision.rule for b in run.bands.values() if b.decision))
    source = details.specification or "limits stated for the item when it was measured"
    return [
        ("Applies to", f"the results above in {', '.join(judged)}, at every frequency measured"),
        ("Specification", f"greatest insertion loss, as listed above: {source}"),
        ("Decision rule", "; ".join(rules)),
    ]


def _remarks(run: Run) -> list[str]:
    """What the reader must know of the zero."""
    return [f"{band}: {mark}" for band, mark in marks_of(run)]


def _instruments(run: Run, details: CertificateDetails) -> list[InstrumentRow]:
    stated = {calibration.role: calibration for calibration in details.calibrations}
    found: dict[tuple[str, str], InstrumentRow] = {}
    for instrument in run.instruments:
        role = instrument.get("role", "")
        if role in NO_INSTRUMENT:
            continue
        known = stated.get(role) or Calibration(role=role)
        identity = instrument.get("identity", "")
        if known.serial:
            identity = f"{identity}, serial {known.serial}" if identity else known.serial
        by = ", ".join(part for part in (known.certificate, known.issued_by) if part)
        found[role, identity] = InstrumentRow(
            role, identity, by, _day(known.calibrated), _day(known.due)
        )
    return list(found.values())
