"""What a lot says, in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from drivers.quantities import counted
from harness.analysis.lots.capability import (
    Capability,
    Normality,
    capability_sentence,
    measurement_share,
    measurement_share_sentence,
)
from harness.analysis.lots.control_charts import signal_runs
from harness.analysis.lots.outliers import FEWEST
from harness.analysis.lots.shared_zeros import MEANS_OF_ZEROS
from harness.evaluation.standing import Standing
from harness.report.words import numbers
from harness.report.words.diagnosis_words import finding_sentences
from harness.several_runs.lot import Lot, LotGroup, LotItem, stated_station
from harness.several_runs.lot_findings import Apart, GroupFindings, yield_of

MOST_NAMED = 5
NONE = "–"
GLANCE_LEGEND = (
    "Near: within the guard band of the limit. Signals: points that complete a pattern in the "
    "control chart. Apart: losses that are not those of the others, by their size alone; – where "
    f"fewer than {FEWEST} items do not tell."
)


def lot_sentence(lot: Lot) -> str:
    """`60 items: 54 pass, 6 fail`."""
    parts = [f"{n:,} {standing.word}" for standing, n in lot.counts.items() if n]
    return f"{counted(len(lot.items), 'item')}: {', '.join(parts) or 'none finished'}"


def runs_sentence(lot: Lot) -> str:
    """How many runs there are, and which of them do not count."""
    said = [counted(lot.runs, "finished run")]
    if lot.retests:
        again = "item was" if lot.retests == 1 else "items were"
        said.append(f"{lot.retests:,} of them replaced because the {again} measured again")
    if lot.unfinished:
        said.append(f"{counted(len(lot.unfinished), 'run')} not finished")
    if lot.unreadable:
        said.append(f"{counted(len(lot.unreadable), 'file')} not readable")
    return f"{'; '.join(said)}."


def yield_sentence(lot: Lot) -> str:
    """The share accepted with its interval; empty where nothing has a limit."""
    share = yield_of(lot)
    if share is None:
        return ""
    low, high = share.interval()
    return (
        f"Yield: {share.count:,} of {counted(share.trials, 'item')} accepted, "
        f"{100 * share.fraction:.1f} %; of the process, if these are a fair sample of it, "
        f"{100 * low:.1f} % to {100 * high:.1f} % (95 % confidence, Clopper-Pearson)."
    )


def group_name(group: LotGroup, groups: Iterable[LotGroup]) -> str:
    """The band, and what tells the group from others of the same band."""
    others = [other for other in groups if other.band == group.band and other is not group]
    parts = []
    if any(other.made_of != group.made_of for other in others):
        parts.append(" + ".join(group.made_of) or "made of what is not stated")
    if any(other.limit != group.limit for other in others):
        parts.append(limit_words(group))
    if any(other.station != group.station for other in others):
        parts.append(group.station or "station without a name")
    if any(other.simulated != group.simulated for other in others):
        parts.append("simulated" if group.simulated else "measured")
    if others and not parts:
        parts.append("other frequencies of the same name")
    return f"{group.band} ({'; '.join(parts)})" if parts else group.band


def limit_words(group: LotGroup) -> str:
    """`limit 0.45 dB`, or the formula."""
    if group.limit is None:
        return "no limit"
    stated = f"{group.limit:g} dB" if isinstance(group.limit, float | int) else group.limit
    return f"limit {stated}"


def group_sentences(found: GroupFindings) -> list[tuple[str, str]]:
    """Label and plain sentence for each thing that can be said of a group."""
    summary = found.summary
    said: list[tuple[str, str]] = []
    if summary.inside_guard_band:
        verb = "lies" if summary.inside_guard_band == 1 else "lie"
        said.append((
            "Guard band",
            f"{counted(summary.inside_guard_band, 'item')} {verb} within the guard band of the "
            "limit.",
        ))  # fmt: skip
    said.append(("Run rules", " ".join(chart_sentences(found))))
    normality = found.normality
    if found.capability is not None:
        alone = found.rest is None
        text = _capability_text(found, found.capability, normality if alone else None)
        said.append(("Capability", text))
        if found.rest is not None:
            apart = counted(len(found.left_out), "item")
            text = _capability_text(found, found.rest, normality)
            label = "Without what stands apart"
            if found.faulty:
                label += " or has the shape of a fault"
            said.append((label, f"{apart} left out. {text}"))
        elif found.faulty:
            most = f"{found.faulty:,} of {counted(summary.count, 'item')}"
            said.append(("Faults", f"{most} with the shape of a fault are in these figures."))
    elif normality is not None and normality.is_doubtful:
        said.append(("Distribution", normality.sentence))
    share = measurement_share(found.standard_uncertainty_db, found.rest_db)
    said.append(("Measurement", measurement_share_sentence(share)))
    said.append(("Drift", summary.drift.sentence))
    said.append(("Outliers", summary.outliers.sentence))
    return said


def _capability_text(found: GroupFindings, able: Capability, normality: Normality | None) -> str:
    text = capability_sentence(able, normality)
    if able.potential is not None:
        index = able.potential
        text += (
            f" Cpk, from the steps between neighbours: {index.value:.2f} (about {index.low:.2f} "
            f"to {index.high:.2f})."
        )
    if found.limit_db is None:
        text += " All of the excess over the limit, which differs from item to item."
    return text


def chart_sentences(found: GroupFindings) -> list[str]:
    """Which rules are broken, by their names; or that none is."""
    if found.chart is None:
        return ["No two neighbours have a loss that is known, so there is no chart."]
    said = []
    apart = len(found.left_out)
    losses = f"Losses in the order of time{', without what stands apart' if apart else ''}"
    shared = found.chart.kind == MEANS_OF_ZEROS
    if shared:
        losses = losses.replace("Losses", "Means of the items of each zero,")
    broken = signal_runs(found.chart.location)
    if broken:
        listed = "; ".join(f"{text} ({counted(n, 'time')})" for text, n in broken)
        said.append(f"{losses}: {listed}.")
    else:
        said.append(f"{losses}: no rule is broken.")
    jumps = int(found.chart.spread.signalled.sum())
    if jumps and shared:
        said.append(f"{counted(jumps, 'zero')} whose items differ too much, or too little.")
    elif jumps:
        said.append(f"{counted(jumps, 'step')} from one item to the next beyond the limit.")
    if found.insertions is not None:
        wide = int(found.insertions.spread.signalled.sum())
        apart = int(found.insertions.location.signals["beyond 3 sigma"].sum())
        said.append(
            f"Insertions of the same item (X-bar and R): {counted(wide, 'item')} whose insertions "
            f"differ too much; {counted(apart, 'item')} apart from the others by more than the "
            "scatter of insertions explains."
        )
    return [*said, *found.chart.notes]


def oddities(lot: Lot) -> list[str]:
    """What somebody who trusts this lot has to know first."""
    said = []
    if lot.unfinished:
        said.append(f"Not finished: {_named(run.path.name for run in lot.unfinished)}.")
    said += [f"Not readable: {path.name}: {problem}." for path, problem in lot.unreadable[:3]]
    if len(lot.unreadable) > 3:
        said.append(f"Not readable: {counted(len(lot.unreadable) - 3, 'more file')}.")
    better = [item.name for item in lot.items if item.was_worse]
    if better:
        said.append(f"Failed in an earlier run and accepted in the last: {_named(better)}.")
    simulated = sum(item.run.simulated for item in lot.items)
    if 0 < simulated < len(lot.items):
        said.append(
            f"{counted(simulated, 'item')} simulated, the others measured: told apart below."
        )
    stations = Counter(
        str(stated_station(item.run.station).get("name") or "without a name") for item in lot.items
    )
    said += _mixed("stations", stations)
    said += _mixed("procedures", Counter(item.run.procedure for item in lot.items))
    said += _mixed(
        "decision rules",
        Counter(rule for item in lot.items for rule in _rules(item)),
    )
    for station, versions in lot.station_versions.items():
        said.append(
            f"Station {station or 'without a name'}: its file was changed on the way, "
            f"{versions} versions."
        )
    unchecked = sum(not item.run.is_checked for item in lot.items)
    if unchecked:
        said.append(
            f"{counted(unchecked, 'run')} of an earlier version, whose figures cannot be checked "
            "against a digest."
        )
    again = [item.name for item in lot.items if item.standing is Standing.AGAIN]
    if again:
        said.append(f"To be measured again, and in no count, chart or yield: {_named(again)}.")
    silent = lot.counts[Standing.NO_VERDICT]
    if silent:
        said.append(f"{counted(silent, 'item')} without a verdict although there is a limit.")
    return said


def diagnosis(item: LotItem) -> str:
    """What the shape of the item's loss says of a fault; empty where nothing speaks of one."""
    finding = item.finding
    if finding is None or not finding.is_accused:
        return ""
    return finding_sentences(finding)[0]


def no_outliers_sentence(found: Sequence[GroupFindings]) -> str:
    """Why no loss stands apart; empty where some do."""
    outliers = [one.summary.outliers for one in found]
    if any(len(one.index) for one in outliers):
        return ""
    if not any(one.most for one in outliers):
        return f"Too few items to tell which do not belong (at least {FEWEST} of a kind)."
    return "No loss stands apart from the others of its band."


def apart_sentence(apart: Sequence[Apart]) -> str:
    """Why the items that are listed apart are listed; only what is true of some of them."""
    fault = "whose loss has the shape of a fault"
    if not any(one.scores for one in apart):
        return f"Items {fault}."
    return (
        "Items whose loss does not belong to the others of its band (generalized extreme "
        "Studentized deviate, B. Rosner 1983; in standard deviations of the rest), or "
        f"{fault}."
    )


def glance(found: GroupFindings) -> list[tuple[str, str]]:
    """The figures of a group with their headings, for a row of a table.

    Scatter and Ppk are of what does not stand apart and has no diagnosed fault.
    """
    losses = found.group.figures.loss_db
    known = losses[np.isfinite(losses)]
    able = found.rest or found.capability
    index = None if able is None else able.performance
    outliers = found.summary.outliers
    signals = 0 if found.chart is None else int(found.chart.location.signalled.sum())
    return [
        ("Items", f"{found.summary.count:,}"),
        ("Median", f"{np.median(known):.3f}" if len(known) else NONE),
        ("s", NONE if able is None else f"{able.overall_sd_db:.3f}"),
        ("Limit", group_limit(found)),
        (
            "Ppk",
            NONE if index is None else f"{index.value:.2f} ({index.low:.2f} to {index.high:.2f})",
        ),
        ("Near", f"{found.summary.inside_guard_band:,}"),
        ("Signals", f"{signals:,}"),
        # none found is not the same as none looked for
        ("Apart", f"{len(outliers.index):,}" if outliers.most else NONE),
    ]


def group_limit(found: GroupFindings) -> str:
    """The limit as figures, for a table."""
    if found.limit_db is not None:
        return numbers.limit(found.limit_db, 2.0 * found.standard_uncertainty_db)
    return "none" if found.judged_db is None else "varies"


def _rules(item: LotItem) -> set[str]:
    return {band.rule for band in item.run.bands.values() if band.rule}


def _mixed(what: str, found: Counter[str]) -> list[str]:
    if len(found) < 2:
        return []
    listed = ", ".join(f"{name} ({count:,})" for name, count in found.most_common(MOST_NAMED))
    return [f"{len(found)} {what}: {listed}."]


def _named(names: Iterable[str]) -> str:
    every = list(names)
    more = f" and {len(every) - MOST_NAMED:,} more" if len(every) > MOST_NAMED else ""
    return f"{', '.join(every[:MOST_NAMED])}{more}"
