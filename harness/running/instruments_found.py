"""Who answers at which address, and a dialect tried on one instrument, told to people."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import typer

from drivers.dialects.dialect import (
    ROLES,
    dialect_text,
    load_dialect,
    shipped_dialects,
    wire_settings,
)
from drivers.errors import BusyError, InputError, InstrumentError, TarelineError
from drivers.instruments.dialect_trial import FAILED, Trial, TrialStep
from drivers.link.link import Link, WireSettings, list_resources
from drivers.quantities import counted
from drivers.sweep import S_PARAMETERS
from drivers.toml_file import nearest, require
from harness.running.instruments_asked import InstrumentsAsked, TrialAsked
from harness.running.locks import lock_instruments
from harness.station.instrument_tables import InstrumentTable, SwitchTable
from harness.station.station import Station, read_station

TABLES = {
    "network analyzer": "analyzer",
    "signal generator": "generator",
    "power meter": "power_meter",
    "spectrum analyzer": "spectrum_analyzer",
    "signal switch": "switch",
    "thermometer": "thermometer",
}
"""The table of a station file for each role."""
SHOWN_REPEATS = 3
"""How often the same question with the same answer is shown."""


@dataclass(frozen=True)
class Found:
    """An address, and who answers there."""

    resource: str
    identity: str
    problem: str = ""
    asked: bool = True
    """False where somebody else drives the instrument, whom a question would disturb."""


def list_instruments(asked: InstrumentsAsked) -> int:
    """Tell who answers where; returns the exit status."""
    known = dict.fromkeys(asked.resources, asked.dialect) | _stated(asked)
    addresses = known or dict.fromkeys(list_resources(asked.visa_library), asked.dialect)
    found = [_identified(address, dialect, asked) for address, dialect in addresses.items()]
    if asked.as_json:
        listed = [asdict(one) for one in found]
        typer.echo(
            json.dumps({"schema": "tareline-instruments/1", "instruments": listed}, indent=2)
        )
    else:
        for one in found:
            problem = f"{'no answer' if one.asked else 'not asked'}: {one.problem}"
            typer.echo(f"{one.resource}\n    {one.identity or problem}")
        if not known:
            typer.echo(
                f"{counted(len(found), 'instrument')} found by the VISA library. Instruments on "
                "the network are rarely found by themselves:\ngive their addresses, such as "
                '"TCPIP0::192.0.2.10::5025::SOCKET", or --station FILE.',
                err=True,
            )
    return InstrumentError.exit_status if any(one.problem for one in found) else 0


def try_dialect(asked: InstrumentsAsked, wanted: TrialAsked) -> int:
    """Try a dialect step by step and tell how it went; returns the exit status.

    Raises:
        InputError: what is asked does not say what to do.
    """
    trial = _trial(asked, wanted)
    with lock_instruments([trial.resource]) as locks:
        steps = replace(trial, held=locks.guard_descriptors).run()
    if asked.as_json:
        typer.echo(json.dumps(_trial_json(trial, steps), indent=2))
    else:
        _show_steps(trial, steps)
    return InstrumentError.exit_status if _has_failed(steps) else 0


def _station(asked: InstrumentsAsked) -> Station | None:
    return None if asked.station is None else require(read_station(asked.station))


def _stated(asked: InstrumentsAsked) -> dict[str, str]:
    """Addresses of a station file, with the dialect of each as the path of it or its name."""
    station = _station(asked)
    if station is None or asked.station is None:
        return {}
    return {
        table.resource: _located(getattr(table, "dialect", ""), asked.station.parent)
        for table in station.instruments().values()
        if table.resource is not None
    }


def _located(dialect: str, folder: Path) -> str:
    return dialect if dialect in shipped_dialects() else str(folder / dialect)


def _identified(resource: str, dialect: str, asked: InstrumentsAsked) -> Found:
    wire = wire_settings(load_dialect(dialect)) if dialect else WireSettings()
    link = Link(resource, timeout_s=asked.timeout_s, visa_library=asked.visa_library, wire=wire)
    try:
        with lock_instruments([resource]):
            return Found(resource, link.open())
    except BusyError as error:
        return Found(resource, "", error.what, asked=False)
    except TarelineError as error:
        return Found(resource, "", error.what)
    finally:
        link.close()


def _trial(asked: InstrumentsAsked, wanted: TrialAsked) -> Trial:
    """What to try, from the options and, where they are silent, from the station file."""
    station = _station(asked)
    role = wanted.role.replace("-", " ")
    if role not in ROLES:
        raise InputError(f"there is no role {role!r}; {nearest(role, list(ROLES))}")
    stated = None if station is None else station.instruments().get(TABLES[role])
    resource = _resource(asked.resources, stated, role)
    name = asked.dialect or getattr(stated, "dialect", "") or _shipped_for(role)
    here = asked.station is not None and not asked.dialect
    folder = asked.station.parent if here and asked.station is not None else Path()
    settings = wanted.sweep.settings()
    channels = wanted.channels
    if isinstance(stated, SwitchTable) and not channels:
        channels = (stated.through, stated.item)
    if role == "signal switch" and not channels:
        raise InputError("which channels are to be closed? give --channel for each")
    return Trial(
        name=name,
        resource=resource,
        dialect=load_dialect(name, ROLES[role], relative_to=folder),
        settings=settings,
        maximum_power_dbm=settings.power_dbm if station is None else station.maximum_power_dbm,
        traces=wanted.traces or getattr(stated, "traces", ()) or S_PARAMETERS,
        channels=channels,
        timeout_s=asked.timeout_s,
        visa_library=asked.visa_library,
        zero=wanted.zero,
    )


def _resource(resources: tuple[str, ...], stated: InstrumentTable | None, role: str) -> str:
    if len(resources) > 1:
        raise InputError("a dialect is tried on one instrument: give one address")
    if resources:
        return resources[0]
    if stated is None or stated.resource is None:
        raise InputError(
            f"no address of a {role} is known",
            hint='give its VISA address, such as "TCPIP0::192.0.2.10::5025::SOCKET", or '
            "--station FILE with one in it",
        )
    return stated.resource


def _shipped_for(role: str) -> str:
    return f"scpi-99-{role.replace(' ', '-')}"


def _has_failed(steps: Sequence[TrialStep]) -> bool:
    return any(step.verdict == FAILED for step in steps)


def _trial_json(trial: Trial, steps: Sequence[TrialStep]) -> dict[str, Any]:
    return {
        "schema": "tareline-trial/1",
        "resource": trial.resource,
        "role": trial.dialect.role,
        "dialect": trial.name,
        "good": not _has_failed(steps),
        "steps": [
            {
                "step": step.name,
                "verdict": step.verdict,
                "sent": step.messages("->"),
                "received": step.messages("<-"),
                "finding": step.finding,
                "hint": step.hint,
            }
            for step in steps
        ],
    }


def _show_steps(trial: Trial, steps: Sequence[TrialStep]) -> None:
    typer.echo(f"{trial.dialect.role} at {trial.resource}\n")
    for number, step in enumerate(steps, 1):
        typer.echo(f"{number:2} {step.name}: {step.verdict}")
        for line in _said(step.essence(trial.dialect)):
            typer.echo(f"     {line}")
        if step.finding:
            typer.echo(f"     {step.finding}")
        if step.hint:
            typer.echo(f"     try: {step.hint}")
    typer.echo(
        "\nnot good yet: mend the failed step in the dialect and try again"
        if _has_failed(steps)
        else "\nevery step is good: name this dialect in the station file"
    )


def _said(messages: Sequence[tuple[str, str]]) -> Iterator[str]:
    """Lines of what was said; of a question with the same answer again and again, the first."""
    repeated = 0
    for place, message in enumerate(messages):
        earlier = messages[max(0, place - 2 * SHOWN_REPEATS) : place : 2]
        if earlier == [message] * SHOWN_REPEATS:
            repeated += 1
            continue
        yield from _same(repeated // 2)
        if repeated % 2:  # the question was the same, its answer is not
            yield " ".join(messages[place - 1])
        repeated = 0
        yield " ".join(message)
    yield from _same(repeated // 2)
    if repeated % 2:  # a question that was not answered any more
        yield " ".join(messages[-1])


def _same(count: int) -> Iterator[str]:
    """How often the same question and answer came once more."""
    if count:
        yield f"... the same {'once' if count == 1 else f'{count} times'} more"


def show_dialect(name: str, *, as_written: bool) -> None:
    """Print a dialect with every default that holds, or list those that are shipped."""
    if not name:
        for shipped in shipped_dialects():
            typer.echo(f"{shipped:32} {load_dialect(shipped).role}")
        return
    if as_written:
        typer.echo(dialect_text(name), nl=False)
        return
    from drivers.dialects.dialect_print import effective_text

    typer.echo(effective_text(load_dialect(name)), nl=False)
