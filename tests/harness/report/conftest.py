"""Finished and unfinished runs as values, with the bands and items of Saltmarsh Telemetry."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.analysis.uncertainty.budget import Contribution, combine
from harness.analysis.uncertainty.conformity import decide
from harness.run_file.run import BandResult, Event, Run

A_FEW = ("telemetry-868", "backhaul-5")
BANDS = {
    "telemetry-433": (433.05e6, 434.79e6),
    "telemetry-868": (863e6, 870e6),
    "satellite": (1.610e9, 1.6265e9),
    "backhaul-2.4": (2.400e9, 2.4835e9),
    "backhaul-5": (5.470e9, 5.725e9),
}
STARTED = 1_772_442_845.0
STATION: dict[str, Any] = {
    "name": "Saltmarsh Telemetry, bench 2",
    "analyzer": {
        "resource": "TCPIP0::127.0.0.1::5025::SOCKET",
        "dialect": "scpi-99-network-analyzer",
        "power_dbm": -10.0,
        "maximum_power_dbm": 0.0,
        "if_bandwidth_hz": 1000.0,
        "source_match_db": 26.0,
        "load_match_db": 26.0,
    },
    "leads": {"connector": "SMA", "torque_n_m": 0.56, "flexure_db": 0.005, "phase_stable": True},
    "through": {"adapter": None, "insertion_loss_db": 0.04, "standard_uncertainty_db": 0.01},
    "temperature_c": 23.0,
}


def make_band(
    frequency_hz: np.ndarray,
    slope: float = 1.0,
    insertions: int = 5,
    checks: int = 3,
    limit_over_expected: float | None = 1.5,
    with_expected: bool = True,
    extra_loss_db: float = 0.0,
    seed: int = 1,
    notes: tuple[str, ...] = (),
) -> BandResult:
    """A band of a 450 mm pigtail: loss near 0.02 + 0.28 sqrt(f/GHz) dB, with its ripple."""
    rng = np.random.default_rng(seed)
    points = frequency_hz.size
    ghz = frequency_hz / 1e9
    expected = 0.02 + slope * 0.45 * np.sqrt(ghz)
    ripple = 0.015 * np.sqrt(ghz) * np.sin(2 * np.pi * frequency_hz / 190e6 + seed)
    scatter = rng.normal(0.0, 0.012 + 0.006 * ghz[-1], (insertions, 1))
    means = expected + ripple + extra_loss_db + scatter + rng.normal(0, 2e-3, (insertions, points))
    loss = np.asarray(means.mean(axis=0))
    type_a = means.std(axis=0, ddof=1) if insertions > 1 else np.full(points, 0.02)
    type_a = type_a / np.sqrt(insertions)
    budget = (
        Contribution(
            "insertion repeatability", "A", "normal", type_a, float(max(insertions - 1, 1)),
            "JCGM 100:2008, 4.2", "insertions",
        ),
        Contribution(
            "connection of the reference", "A", "normal",
            type_a * np.sqrt(insertions), float(max(insertions - 1, 1)),
            "the scatter of the insertions, taken over to the through", "insertions",
        ),
        Contribution(
            "drift of the zero", "B", "rectangular", np.full(points, 0.006), np.inf,
            "change between normalization and closing check",
        ),
        Contribution(
            "mismatch", "B", "U-shaped", 0.008 + 0.006 * ghz, np.inf,
            "station: source match 26 dB, load match 26 dB; item: return loss measured",
        ),
        Contribution(
            "through adapter", "B", "normal", np.full(points, 0.01), np.inf,
            "station: through adapter 0.04 dB, standard uncertainty 0.01 dB",
        ),
    )  # fmt: skip
    total = combine(budget)
    limit = None
    decision = None
    if limit_over_expected is not None:
        limit = np.full(points, round(float(limit_over_expected * expected[-1]), 2))
        decision = decide(
            loss,
            total.standard_uncertainty_db,
            total.effective_dof,
            total.expanded_uncertainty_db,
            limit,
        )
    return BandResult(
        frequency_hz=frequency_hz,
        insertion_loss_db=loss,
        standard_uncertainty_db=total.standard_uncertainty_db,
        effective_dof=total.effective_dof,
        coverage_factor=total.coverage_factor,
        expanded_uncertainty_db=total.expanded_uncertainty_db,
        interval_low_db=loss - total.expanded_uncertainty_db,
        interval_high_db=loss + total.expanded_uncertainty_db,
        budget=budget,
        insertion_means_db=means,
        insertion_time=STARTED + 300.0 + 240.0 * np.arange(insertions),
        zero_change_db=0.002 * np.arange(checks + 1)[:, None]
        + np.vstack([np.zeros((1, points)), rng.normal(0, 8e-4, (checks, points))]),
        zero_time=STARTED + 600.0 * np.arange(checks + 1),
        expected_db=expected if with_expected else None,
        expected_expanded_uncertainty_db=0.02 + 0.05 * expected if with_expected else None,
        limit_db=limit,
        decision=decision,
        notes=notes,
    )


def make_run(item_id: str, bands: dict[str, BandResult], **changes: Any) -> Run:
    values: dict[str, Any] = {
        "path": Path(f"{item_id}.h5"),
        "run_id": f"2026-03-02T0914-{item_id.lower()}",
        "procedure": "qualify",
        "parameters": {"insertions": 5, "sweeps": 4},
        "started": "2026-03-02T09:14:05+00:00",
        "finished": "2026-03-02T09:47:31+00:00",
        "software": "tareline 0.1.0, Python 3.11.9, numpy 2.4.6, PyVISA 1.15.0",
        "station": STATION,
        "item": {
            "id": item_id,
            "description": "Pigtail from the tide gauge's modem to its bulkhead",
            "made_of": ["RG-316 450 mm", "SMA", "SMA"],
            "limits_db": {"telemetry-433": 0.45, "backhaul-5": 1.62},
        },
        "instruments": (
            {
                "role": "network analyzer",
                "resource": "TCPIP0::127.0.0.1::5025::SOCKET",
                "identity": "Tareline,Simulated network analyzer,0,1.0",
            },
        ),
        "simulated": True,
        "events": (
            Event(STARTED, "started", "procedure qualify"),
            Event(STARTED + 280.0, "connection", "item PIG-0451 inserted (1 of 5)"),
            Event(STARTED + 911.0, "error", "no answer within 5 s; asked again, answered"),
            Event(STARTED + 2006.0, "finished", "closing check made"),
        ),
        "bands": bands,
    }
    return Run(**(values | changes))


def frequencies(name: str, points: int = 101) -> np.ndarray:
    return np.linspace(*BANDS[name], points)


@pytest.fixture(scope="session")
def good_run() -> Run:
    """Passes everywhere; limits wide."""
    return make_run(
        "PIG-0451",
        {name: make_band(frequencies(name), seed=3 + i) for i, name in enumerate(A_FEW)},
    )


@pytest.fixture(scope="session")
def mixed_run() -> Run:
    """One band of every verdict, and one without a limit; no expected loss in that one."""
    over = {
        "telemetry-433": 1.7,
        "telemetry-868": 1.10,
        "satellite": 0.97,
        "backhaul-2.4": None,
        "backhaul-5": 0.8,
    }
    bands = {
        name: make_band(
            frequencies(name),
            limit_over_expected=over[name],
            with_expected=over[name] is not None,
            seed=11 + i,
            notes=("Receiver linearity is not stated by the station and is not in the budget.",)
            if name == "satellite"
            else (),
        )
        for i, name in enumerate(BANDS)
    }
    return make_run("JMP-0207", bands)


@pytest.fixture(scope="session")
def few_bands(mixed_run: Run) -> Run:
    """Two of its bands, for what is the same for many: each drawing costs a tenth of a second."""
    return with_bands(mixed_run, "telemetry-433", "backhaul-5")


def with_bands(run: Run, *names: str) -> Run:
    return dataclasses.replace(run, bands={name: run.bands[name] for name in names})


@pytest.fixture(scope="session")
def bad_crimp_run() -> Run:
    """Several decibels over its limits in every band."""
    bands = {
        name: make_band(frequencies(name), extra_loss_db=2.6 + 0.4 * i, seed=21 + i)
        for i, name in enumerate(BANDS)
    }
    return make_run("PIG-0466", bands)


@pytest.fixture(scope="session")
def limitless_run() -> Run:
    """No limits, no expected loss, one insertion, no later check, measured for real."""
    bands = {
        name: make_band(
            frequencies(name, 21),
            limit_over_expected=None,
            with_expected=False,
            insertions=1,
            checks=0,
            seed=31 + i,
        )
        for i, name in enumerate(A_FEW)
    }
    return make_run("ELB-0012", bands, simulated=False)


@pytest.fixture(scope="session")
def unfinished_run() -> Run:
    return make_run("FDR-0003", {}, finished="")


@pytest.fixture(scope="session")
def all_runs(
    good_run: Run, mixed_run: Run, bad_crimp_run: Run, limitless_run: Run, unfinished_run: Run
) -> list[Run]:
    crimp, limitless = (with_bands(run, A_FEW[0]) for run in (bad_crimp_run, limitless_run))
    return [good_run, mixed_run, crimp, limitless, unfinished_run]


@pytest.fixture(scope="session")
def run_with() -> Callable[..., Run]:
    """`make_run`, for tests that change one thing."""
    return make_run


@pytest.fixture(scope="session")
def band_with() -> Callable[..., BandResult]:
    """`make_band`, for tests that change one thing."""
    return make_band
