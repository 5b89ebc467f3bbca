"""A proof as people and programs read it."""

from __future__ import annotations

import json
from itertools import groupby
from typing import Any

from rich.console import Console
from rich.table import Table

from drivers.quantities import counted
from harness.analysis.lots.binomial import Share
from harness.analysis.uncertainty.budget import COVERAGE_PROBABILITY
from harness.planning.proving import LEAST_COVERAGE, BandProof, Proof
from harness.run_file.software import software_versions

CAUTIOUS = 0.975
NARROW = 70
METHODS = {"gum": "GUM (JCGM 100)", "monte carlo": "Monte Carlo (JCGM 101)"}


def print_proof(proof: Proof, console: Console, *, with_verdicts: bool = False) -> None:
    """Everything that a validation file needs."""

    def say(text: str) -> None:
        console.print(text, highlight=False, markup=False)

    say(f"Proof by simulation: {counted(proof.campaigns, 'campaign')} of each band.")
    say(f"Station: {proof.station}")
    parameters = ", ".join(f"{name} {value}" for name, value in proof.parameters.items())
    minutes = proof.duration_s / 60.0
    say(f"Procedure: {proof.procedure} ({parameters}), about {minutes:.0f} min at the bench")
    say(f"Method: {METHODS[proof.method]}; seed {proof.seed}")
    say(f"Software: {software_versions()}")
    world = proof.bands[0].world
    say(
        f"Taken as true: one making of a connection scatters by {world.making_db:.2g} dB and one "
        f"sweep by {world.noise_db:.2g} dB; everything else lies anywhere within what the station "
        "and the item state. No instrument took part."
    )
    if any(band.world.stated.item_reflection is None for band in proof.bands):
        say(
            f"An item that states no return loss is taken to reflect {world.item_reflection:g} of "
            "the voltage at either end."
        )
    for told in proof.history:
        say(told[0].upper() + told[1:] + ".")
    for item, bands in groupby(proof.bands, key=lambda band: band.item):
        rows = list(bands)
        console.print()
        console.print(_coverage_table(item, rows, console.width))
        if any(row.decisions for row in rows):
            console.print(_risk_table(rows, console.width))
            if with_verdicts:
                for row in rows:
                    if row.decisions is not None:
                        console.print(_verdict_table(row))
    console.print()
    say(_conclusion(proof))


def proof_json(proof: Proof) -> str:
    """The proof as `tareline-proof/1`."""
    return json.dumps(
        {
            "schema": "tareline-proof/1",
            "station": proof.station,
            "procedure": proof.procedure,
            "parameters": proof.parameters,
            "duration_s": proof.duration_s,
            "method": proof.method,
            "coverage_probability": COVERAGE_PROBABILITY,
            "campaigns": proof.campaigns,
            "seed": proof.seed,
            "software": software_versions(),
            "history": list(proof.history),
            "holds": proof.holds,
            "bands": [_band_dict(band) for band in proof.bands],
        },
        allow_nan=False,
        ensure_ascii=False,
    )


def _band_dict(band: BandProof) -> dict[str, Any]:
    world, covered = band.world, band.coverage
    found: dict[str, Any] = {
        "item": band.item,
        "name": band.band,
        "frequency_hz": world.frequency_hz.tolist(),
        "true_loss_db": world.loss_db.tolist(),
        "making_db": world.making_db,
        "noise_db": world.noise_db,
        "noise_floor": world.noise_floor,
        "item_reflection": world.reflection,
        "coverage": _share_dict(covered.share),
        "coverage_by_frequency": covered.by_frequency.tolist(),
        "mean_expanded_uncertainty_db": covered.expanded_uncertainty_db.tolist(),
        "holds": band.holds,
        "decision_rule": band.rule,
        "verdicts": None,
    }
    if band.decisions is not None:
        found["verdicts"] = [
            {
                "true_loss_beyond_limit_db": row.true_loss_beyond_db,
                "true_loss_beyond_limit_in_u": row.beyond_limit_in_u,
                "pass": _share_dict(row.passed),
                "conditional": _share_dict(row.undecided),
                "fail": _share_dict(row.failed),
            }
            for row in band.decisions.by_true_loss
        ]
        found["false_accept"] = _share_dict(band.decisions.false_accept.passed)
        found["false_reject"] = _share_dict(band.decisions.false_reject.failed)
    return found


def _share_dict(share: Share) -> dict[str, Any]:
    low, high = share.interval()
    return {"share": share.fraction, "low": low, "high": high, "confidence": 0.95}


def _table(title: str, *columns: str) -> Table:
    table = Table(title=title, title_justify="left")
    table.add_column(columns[0])
    for heading in columns[1:]:
        table.add_column(heading, justify="right")
    return table


def _coverage_table(item: str, rows: list[BandProof], width: int) -> Table:
    title = f"{item}: how often loss ± U held the truth (stated: {COVERAGE_PROBABILITY:.2%})"
    if width < NARROW:
        table = _table(title, "band", "U", "held")
    else:
        table = _table(title, "band", "true loss", "U", "held", "95 % interval")
    for row in rows:
        loss, u_db = row.world.loss_db, row.coverage.expanded_uncertainty_db
        cells = [
            f"{loss.mean():.3f} dB", f"{u_db.mean():.3f} dB",
            f"{row.coverage.share.fraction:.2%}", _interval(row.coverage.share),
        ]  # fmt: skip
        table.add_row(row.band, *(cells[1:3] if width < NARROW else cells))
    return table


def _risk_table(rows: list[BandProof], width: int) -> Table:
    table = _table(
        f"Wrong verdicts at worst; rule: {rows[0].rule}", "band",
        "passed beyond limit", "failed within limit",
    )  # fmt: skip
    for row in rows:
        if row.decisions is not None:
            wrong = (row.decisions.false_accept.passed, row.decisions.false_reject.failed)
            cells = [
                f"{share.fraction:.1%}"
                if width < NARROW
                else f"{share.fraction:.2%} ({_interval(share)})"
                for share in wrong
            ]
            table.add_row(row.band, *cells)
    return table


def _verdict_table(row: BandProof) -> Table:
    table = _table(
        f"{row.item}, {row.band}: verdicts by true loss minus limit",
        "true loss", "pass", "conditional", "fail",
    )  # fmt: skip
    if row.decisions is not None:
        for place in row.decisions.by_true_loss:
            table.add_row(
                f"{place.true_loss_beyond_db:+.3f} dB",
                *(f"{s.fraction:.1%}" for s in (place.passed, place.undecided, place.failed)),
            )
    return table


def _interval(share: Share) -> str:
    low, high = share.interval()
    return f"{100 * low:.2f} to {high:.2%}"


def _conclusion(proof: Proof) -> str:
    false = [f"{band.item} in {band.band}" for band in proof.bands if not band.holds]
    if false:
        return (
            f"U is NOT true for {', '.join(false)}: it holds the truth in less than "
            f"{LEAST_COVERAGE:.0%}, which chance does not explain."
        )
    text = "U is true: nowhere does it hold the truth less often than it says, beyond chance."
    if any(band.coverage.share.fraction > CAUTIOUS for band in proof.bands):
        text += (
            f" Where it holds it in more than {CAUTIOUS:.1%} it is cautious: a contribution that "
            "has limits dominates, or a reflection is estimated with a margin. Limits are stated "
            'more closely by method = "monte carlo" in [uncertainty].'
        )
    return text
