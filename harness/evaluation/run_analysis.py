"""The analysis of a run: computed from its file alone, and written into it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from drivers.errors import InputError
from drivers.quantities import SI_CONTEXT
from harness.analysis.arrays import FloatArray
from harness.analysis.diagnosis.finding import Finding
from harness.analysis.expected.catalogue_parts import UnknownPartError
from harness.analysis.expected.expected_loss import ExpectedLoss
from harness.analysis.loss.band import RULES, BandBlocks, BandResult, stability_of_band
from harness.analysis.loss.evaluate import evaluate
from harness.analysis.loss.pooling import PooledRepeatability
from harness.analysis.loss.reduction import ReducedBand, reduced
from harness.analysis.uncertainty.budget import COVERAGE_PROBABILITY, NORMAL_FACTOR
from harness.evaluation.item_diagnosis import find_in_run
from harness.evaluation.read_back import as_text
from harness.run_file import (
    DamagedError,
    Group,
    RunJournal,
    count_suspects,
    finishing,
    open_run,
    read_blocks,
    read_events,
    read_header,
)
from harness.run_file.history import read_history
from harness.run_file.result_record import read_expected, write_band
from harness.run_file.run import DOUBT
from harness.station.items import IDENTITY, Item
from harness.station.statements import statements_of
from harness.station.station import Station

UNKNOWN_REFLECTION = (
    "The item's reflection was not measured and its return_loss is not stated, so it is taken as "
    "{taken}, which makes U large: state it in the items file."
)


def assess(run: Path | RunJournal, *, with_stability: bool = True) -> dict[str, BandResult]:
    """Evaluate every band of a run file from its raw readings and its own station and item.

    A run that this process is still writing is given as its journal, and evaluated without its
    stability, which does not change the loss or its uncertainty.

    Raises:
        InputError: it is not a readable run file, or lacks sweeps to evaluate.
    """
    stability = with_stability and isinstance(run, Path)
    return _assess(run, with_stability=stability, with_finding=False)[0]


def _assess(
    run: Path | RunJournal,
    *,
    with_stability: bool = True,
    with_finding: bool = True,
    expected_as_stated: bool = False,
) -> tuple[dict[str, BandResult], Finding | None]:
    path = run if isinstance(run, Path) else run.path
    with open_run(run) if isinstance(run, Path) else run.open_for_reading() as file:
        header = read_header(file)
        bands = {band: _reduced(path, blocks) for band, blocks in read_blocks(file).items()}
        suspects = count_suspects(file)
        history = read_history(file)
        doubts = tuple(dict.fromkeys(e.text for e in read_events(file) if e.kind == DOUBT))
        stated_db = read_expected(file) if expected_as_stated else {}
        station = Station.as_it_stood(header.station, header.catalogue)
        stated = {key: value for key, value in header.item.items() if key not in IDENTITY}
        item = Item.model_validate(stated, context=SI_CONTEXT, by_alias=False, by_name=True)
    try:
        expected = _expected(bands, station, item, stated_db)
        results = {
            band: _with_suspects(
                _doubted(
                    _assess_band(
                        band, each, station, item, history.get(band), header.rules, expected[band]
                    ),
                    doubts,
                ),
                suspects[band],
            )
            for band, each in bands.items()
        }
    except (ValueError, UnknownPartError) as error:
        raise _not_evaluable(path, error) from error
    if with_stability:
        results = {
            band: replace(
                result,
                stability=stability_of_band(result),
            )
            for band, result in results.items()
        }
    return results, find_in_run(results, bands, station, item) if with_finding else None


def _reduced(path: Path, blocks: BandBlocks) -> ReducedBand:
    try:
        return reduced(blocks)
    except DamagedError:
        raise
    except ValueError as error:
        raise _not_evaluable(path, error) from error


def _not_evaluable(path: Path, error: Exception) -> InputError:
    return InputError(
        f"the readings cannot be evaluated: {error}",
        where=str(path),
        hint="the run keeps all its readings; see whether its procedure was carried out whole",
    )


def _doubted(result: BandResult, doubts: tuple[str, ...]) -> BandResult:
    """The result without a verdict, where it is doubted what was connected."""
    if not doubts:
        return result
    return replace(result, decision=None, doubts=(*doubts, *result.doubts))


def _with_suspects(result: BandResult, suspects: int) -> BandResult:
    if not suspects:
        return result
    note = (
        f"{suspects} {'sweep' if suspects == 1 else 'sweeps'} that cannot be true "
        f"{'was' if suspects == 1 else 'were'} kept, marked, and left out here; the events say why."
    )
    return replace(result, notes=(*result.notes, note))


def _expected(
    bands: Mapping[str, ReducedBand],
    station: Station,
    item: Item,
    stated_db: Mapping[str, tuple[FloatArray, FloatArray]],
) -> dict[str, ExpectedLoss | None]:
    """What is expected in each band, by the catalogue; where loss and U are stated, with them."""
    known = station.known_parts()
    found = {
        name: item.expected(band.frequency_hz, station.temperature_c, known)
        for name, band in bands.items()
    }
    for name, (loss_db, expanded_uncertainty_db) in stated_db.items():
        by_catalogue = found[name]
        if by_catalogue is not None:
            u_db = expanded_uncertainty_db / NORMAL_FACTOR
            found[name] = replace(by_catalogue, loss_db=loss_db, standard_uncertainty_db=u_db)
    return found


def _assess_band(
    band: str,
    readings: ReducedBand,
    station: Station,
    item: Item,
    history: PooledRepeatability | None,
    rules: int,
    expected: ExpectedLoss | None,
) -> BandResult:
    frequency_hz = readings.frequency_hz
    result = evaluate(
        readings,
        statements_of(station, item, frequency_hz, history, rules),
        expected,
        item.limit_db(band, frequency_hz, expected),
        rule=item.decision_rule(station),
        method=station.uncertainty.method,
    )
    if item.return_loss_db is not None or {"S11", "S22"} <= set(readings.traces):
        return result
    taken = "the most that its loss allows" if rules == RULES else "total"
    return replace(result, notes=(*result.notes, UNKNOWN_REFLECTION.format(taken=taken)))


def finish(path: Path, finished: str) -> None:
    """Evaluate a run file and write the analysis into it.

    Raises:
        InputError: there is nothing to evaluate.
        RunFileError: the disk refused.
    """
    with finishing(path, finished) as add:
        add(analysis_of(path))


def analysis_of(path: Path, *, expected_as_stated: bool = False) -> Callable[[Group], None]:
    """Evaluate a run file; gives what writes the analysis into an empty group.

    `expected_as_stated` takes what is expected of the item from the finished file, and not from
    the catalogue.

    Raises:
        InputError: there is nothing to evaluate, or the file is damaged.
    """
    results, finding = _assess(path, expected_as_stated=expected_as_stated)

    def write(analysis: Group) -> None:
        analysis.attrs["finding"] = as_text(finding)
        analysis.attrs["coverage_probability"] = COVERAGE_PROBABILITY
        for band, result in results.items():
            write_band(analysis.create_group(band), result)

    return write
