"""The analysis of a run: computed from its file alone, written into it, read back from it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from drivers.errors import InputError
from drivers.quantities import SI_CONTEXT
from harness.analysis.arrays import FloatArray
from harness.analysis.band import BandReadings, BandResult, Statements
from harness.analysis.budget import COVERAGE_PROBABILITY, Contribution
from harness.analysis.conformity import Decision, Verdict
from harness.analysis.evaluate import evaluate
from harness.analysis.mismatch import reflection_magnitude
from harness.items import Item
from harness.results import Run
from harness.run_file import (
    Group,
    count_suspects,
    finish_run,
    open_run,
    read_events,
    read_header,
    read_readings,
)
from harness.station import Station, Through

UNKNOWN_REFLECTION = (
    "The item's reflection was not measured and its return_loss is not stated, so it is taken as "
    "total, which makes U large: state it in the items file."
)
_PER_FREQUENCY = {
    "insertion_loss_db": "dB",
    "standard_uncertainty_db": "dB",
    "effective_dof": "1",
    "coverage_factor": "1",
    "expanded_uncertainty_db": "dB",
    "insertion_means_db": "dB",
    "insertion_time": "s",
    "zero_change_db": "dB",
    "zero_time": "s",
}
_WHERE_STATED = {
    "expected_db": "dB",
    "expected_expanded_uncertainty_db": "dB",
    "limit_db": "dB",
}


def assess(path: Path) -> dict[str, BandResult]:
    """Evaluate every band of a run file from its raw readings and its own station and item.

    Raises:
        InputError: it is not a readable run file, or lacks sweeps to evaluate.
    """
    with open_run(path) as file:
        header = read_header(file)
        readings = read_readings(file)
        suspects = count_suspects(file)
        station = Station.model_validate(
            header.station, context=SI_CONTEXT, by_alias=False, by_name=True
        )
        stated = {key: value for key, value in header.item.items() if key != "id"}
        item = Item.model_validate(stated, context=SI_CONTEXT, by_alias=False, by_name=True)
    try:
        return {
            band: _with_suspects(_assess_band(band, r, station, item), suspects[band])
            for band, r in readings.items()
        }
    except ValueError as error:
        raise InputError(
            f"the readings cannot be evaluated: {error}",
            where=str(path),
            hint="the run keeps all its readings; see whether its procedure was carried out whole",
        ) from error


def _with_suspects(result: BandResult, suspects: int) -> BandResult:
    if not suspects:
        return result
    note = (
        f"{suspects} {'sweep' if suspects == 1 else 'sweeps'} that cannot be true "
        f"{'was' if suspects == 1 else 'were'} kept, marked, and left out here; the events say why."
    )
    return replace(result, notes=(*result.notes, note))


def _assess_band(band: str, readings: BandReadings, station: Station, item: Item) -> BandResult:
    frequency_hz = readings.frequency_hz
    limit_db = item.limits_db.get(band)
    result = evaluate(
        readings,
        _statements(station, item, frequency_hz),
        item.expected(frequency_hz, station.temperature_c),
        None if limit_db is None else np.full_like(frequency_hz, limit_db),
    )
    if item.return_loss_db is not None or {"S11", "S22"} <= set(readings.traces):
        return result
    return replace(result, notes=(*result.notes, UNKNOWN_REFLECTION))


def _statements(station: Station, item: Item, frequency_hz: FloatArray) -> Statements:
    through = station.through
    nothing = np.zeros_like(frequency_hz)
    return Statements(
        source_reflection=reflection_magnitude(station.source_match_db),
        load_reflection=reflection_magnitude(station.receiver.load_match_db),
        connection_repeatability_db=station.leads.connection_repeatability_db,
        through_loss_db=nothing
        if through is None
        else Through.at_frequency(through.loss_at_1_ghz_db, frequency_hz),
        through_loss_limits_db=nothing
        if through is None
        else Through.at_frequency(through.loss_limits_at_1_ghz_db, frequency_hz),
        through_reflection=0.0 if through is None else reflection_magnitude(through.return_loss_db),
        item_reflection=None
        if item.return_loss_db is None
        else reflection_magnitude(item.return_loss_db),
        drift_db_per_hour=station.receiver.drift_per_hour_db,
        lead_loss_difference_db=station.leads.loss_difference_db,
        linearity_db=station.receiver.linearity_db,
        switch_path_difference_db=None
        if station.switch is None
        else station.switch.path_difference_db,
    )


def finish(path: Path, finished: str) -> None:
    """Evaluate a run file and write the analysis into it.

    Raises:
        InputError: there is nothing to evaluate.
        RunFileError: the disk refused.
    """
    results = assess(path)

    def write(analysis: Group) -> None:
        analysis.attrs["coverage_probability"] = COVERAGE_PROBABILITY
        for band, result in results.items():
            _write_band(analysis.create_group(band), result)

    finish_run(path, finished, write)


def read_run(path: Path) -> Run:
    """Everything a run file states; its bands are empty while it is not finished.

    Raises:
        InputError: it is not a readable run file.
    """
    with open_run(path) as file:
        header = read_header(file)
        bands = {}
        if "analysis" in file:
            bands = {band: _read_band(group, file[f"bands/{band}/frequency_hz"][()])
                     for band, group in file["analysis"].items()}  # fmt: skip
        order = list(header.station["bands"])
        if header.finished and set(order) != set(bands):
            raise InputError(
                f"{str(path)!r} is damaged: it is finished, but not every band has a result",
                hint="take the copy in your backup",
            )
        return Run(
            path=path,
            run_id=header.run_id,
            procedure=header.procedure,
            parameters=header.parameters,
            started=header.started,
            finished=header.finished,
            software=header.software,
            station=header.station,
            item=header.item,
            instruments=header.instruments,
            simulated=header.simulated,
            events=read_events(file),
            bands={band: bands[band] for band in order if band in bands},
        )


def _write_band(group: Group, result: BandResult) -> None:
    for name, unit in {**_PER_FREQUENCY, **_WHERE_STATED}.items():
        values = getattr(result, name)
        if values is None:
            values = np.full_like(result.frequency_hz, np.nan)
        group.create_dataset(name, data=values).attrs["unit"] = unit
    group.attrs["notes"] = json.dumps(list(result.notes), ensure_ascii=False)
    group.attrs["verdict"] = "" if result.decision is None else str(result.decision.verdict)
    if result.decision is not None:
        group.attrs["worst_index"] = result.decision.worst_index
        group.attrs["margin_db"] = result.decision.margin_db
        group.attrs["conformance_probability"] = result.decision.conformance_probability
        group.attrs["decision_rule"] = result.decision.rule
    budget = group.create_group("budget")
    for position, line in enumerate(result.budget):
        dataset = budget.create_dataset(line.name, data=line.standard_uncertainty_db)
        dataset.attrs["unit"] = "dB"
        dataset.attrs["position"] = position
        for name in ("type", "distribution", "dof", "source", "estimate"):
            dataset.attrs[name] = getattr(line, name)


def _read_band(group: Group, frequency_hz: FloatArray) -> BandResult:
    given = {name: group[name][()] for name in _PER_FREQUENCY}
    stated = {name: _none_if_nan(group[name][()]) for name in _WHERE_STATED}
    attributes = group.attrs
    decision = None
    if attributes["verdict"]:
        decision = Decision(
            verdict=Verdict(attributes["verdict"]),
            worst_index=int(attributes["worst_index"]),
            margin_db=float(attributes["margin_db"]),
            conformance_probability=float(attributes["conformance_probability"]),
            rule=attributes["decision_rule"],
        )
    lines = sorted(group["budget"].items(), key=lambda entry: entry[1].attrs["position"])
    return BandResult(
        frequency_hz=frequency_hz,
        **given,
        **stated,  # type: ignore[arg-type]  # the keys are those of the optional fields
        budget=tuple(
            Contribution(
                name=name,
                type=dataset.attrs["type"],
                distribution=dataset.attrs["distribution"],
                standard_uncertainty_db=dataset[()],
                dof=float(dataset.attrs["dof"]),
                source=dataset.attrs["source"],
                estimate=dataset.attrs["estimate"],
            )
            for name, dataset in lines
        ),
        decision=decision,
        notes=tuple(json.loads(attributes["notes"])),
    )


def _none_if_nan(values: FloatArray) -> FloatArray | None:
    return None if np.all(np.isnan(values)) else values
