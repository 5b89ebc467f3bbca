"""A lot as JSON of schema `tareline-lot/1`, for machines.

Strictly valid: what is not known is null. Frequencies are in Hz, losses and margins in dB, times
ISO 8601. Every key is always there.
"""

from __future__ import annotations

import json
import math
from dataclasses import fields
from typing import Any

from harness.analysis.lots.capability import Index
from harness.analysis.lots.control_charts import signal_runs
from harness.report.files.lot_csv import normalized_error
from harness.report.words.lot_words import diagnosis, group_sentences, oddities
from harness.run_file.figures import BandFigures
from harness.several_runs.lot import Lot, LotItem, standing_in
from harness.several_runs.lot_findings import GroupFindings, find_in_lot, yield_of

SCHEMA = "tareline-lot/1"
_NUMBERS = [field.name for field in fields(BandFigures) if field.type == "float"]


def lot_json(lot: Lot) -> str:
    """The whole document; items worst first."""
    share = yield_of(lot)
    low, high = (None, None) if share is None else share.interval()
    return json.dumps(
        {
            "schema": SCHEMA,
            "folder": str(lot.folder),
            "runs": lot.runs,
            "retests": lot.retests,
            "unfinished": [run.path.name for run in lot.unfinished],
            "unreadable": [
                {"file": path.name, "problem": problem} for path, problem in lot.unreadable
            ],
            "counts": {standing.word: count for standing, count in lot.counts.items()},
            "yield": None
            if share is None
            else {"accepted": share.count, "judged": share.trials, "low": low, "high": high},
            "oddities": oddities(lot),
            "groups": [_group(found) for found in find_in_lot(lot)],
            "items": [_item(item) for item in lot.items],
        },
        allow_nan=False,
        ensure_ascii=False,
    )


def _item(item: LotItem) -> dict[str, Any]:
    return {
        "item": item.name,
        "verdict": item.standing.word,
        "deciding_band": item.deciding,
        "to_be_measured_again": item.run.wanted_again or None,
        "margin_db": _number(item.margin_db),
        "run_id": item.run.run_id,
        "run_file": item.run.path.name,
        "finished": item.run.finished,
        "simulated": item.run.simulated,
        "earlier_runs": [run.run_id for run in item.earlier],
        "diagnosis": diagnosis(item) or None,
        "bands": [
            {
                "name": name,
                "verdict": standing_in(item.run, name).word,
                "decision_rule": band.rule or None,
                **{number: _number(getattr(band, number)) for number in _NUMBERS},
                "normalized_error": _number(normalized_error(band)),
            }
            for name, band in item.run.bands.items()
        ],
    }


def _group(found: GroupFindings) -> dict[str, Any]:
    able, chart = found.capability, found.chart
    return {
        "band": found.group.band,
        "station": found.group.station,
        "made_of": list(found.group.made_of),
        "limit": found.group.limit,
        "simulated": found.group.simulated,
        "items": found.summary.count,
        "inside_guard_band": found.summary.inside_guard_band,
        "mean_db": None if able is None else _number(able.mean_db),
        "standard_deviation_db": None if able is None else _number(able.overall_sd_db),
        "ppk": None if able is None else _index(able.performance),
        "cpk": None if able is None or able.potential is None else _index(able.potential),
        "signals": {} if chart is None else dict(signal_runs(chart.location)),
        "outliers": [found.group.items[index].name for index in found.summary.outliers.index],
        "sentences": [f"{label}: {text}" for label, text in group_sentences(found)],
    }


def _index(index: Index) -> dict[str, Any]:
    return {"value": _number(index.value), "low": _number(index.low), "high": _number(index.high)}


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
