"""Catalogue entries for machines: SI numbers and dB, with every source."""

from __future__ import annotations

from typing import Any

from harness.analysis.expected.catalogue_parts import (
    Cable,
    Catalogue,
    Joint,
    PublishedPoints,
    Stated,
)

SCHEMA = "tareline-catalogue/1"


def list_json(catalogue: Catalogue) -> dict[str, Any]:
    """All entries."""
    entries: list[Cable | Joint] = [*catalogue.cables.values(), *catalogue.joints.values()]
    return {"schema": SCHEMA, "parts": [_entry(entry) for entry in entries]}


def entry_json(entry: Cable | Joint) -> dict[str, Any]:
    """One entry."""
    return {"schema": SCHEMA, "parts": [_entry(entry)]}


def _entry(entry: Cable | Joint) -> dict[str, Any]:
    shared = {
        "name": entry.name,
        "description": entry.description,
        "relative_uncertainty": entry.relative_uncertainty,
        "source": entry.source,
        "rated_frequency_hz": _stated(entry.rated_frequency),
    }
    return {**shared, **(_cable(entry) if isinstance(entry, Cable) else _joint(entry))}


def _joint(joint: Joint) -> dict[str, Any]:
    torque = joint.torque
    return {
        "kind": joint.kind,
        "ohmic_db": joint.ohmic_db,
        "reflective_db": joint.reflective_db,
        "maximum": None
        if joint.maximum_ohmic_db is None
        else {
            "ohmic_db": joint.maximum_ohmic_db,
            "reflective_db": joint.maximum_reflective_db,
            "source": joint.maximum_source,
        },
        "torque": None
        if torque is None
        else {"n_m": list(torque.n_m), "in_lbf": list(torque.in_lbf), "source": torque.source},
        "coupling": joint.coupling,
    }


def _cable(cable: Cable) -> dict[str, Any]:
    made, most, residuals = cable.construction, cable.maximum, cable.fit_residuals()
    return {
        "kind": "cable",
        "conductor_db_per_m": cable.conductor_db_per_m,
        "dielectric_db_per_m": cable.dielectric_db_per_m,
        "covariance": [list(row) for row in cable.covariance],
        "highest_point_hz": cable.highest_point_hz,
        "points_temperature_c": cable.points_temperature_c,
        "velocity_factor": _stated(cable.velocity_factor),
        "temperature_coefficient_per_k": _stated(cable.temperature_coefficient),
        "maximum": None
        if most is None
        else {
            "frequency_hz": most.frequency_hz.tolist(),
            "over_nominal": most.over_nominal.tolist(),
            "source": most.source,
        },
        "construction": None
        if made is None
        else {
            "inner_diameter_m": made.inner_diameter_m,
            "outer_diameter_m": made.outer_diameter_m,
            "inner": made.inner,
            "outer": made.outer,
            "loss_tangent": made.loss_tangent,
            "conductivity_s_per_m": made.conductivity_s_per_m,
            "source": made.source,
        },
        "fitted": None
        if cable.points is None or residuals is None
        else {
            **_points(cable.points),
            "residual_in_standard_uncertainties": residuals.tolist(),
        },
    }


def _points(points: PublishedPoints) -> dict[str, Any]:
    return {
        "frequency_hz": points.frequency_hz.tolist(),
        "attenuation_db_per_m": points.attenuation_db_per_m.tolist(),
        "standard_uncertainty_db_per_m": points.standard_uncertainty_db_per_m.tolist(),
        "source": points.source,
    }


def _stated(stated: Stated | None) -> dict[str, Any] | None:
    if stated is None:
        return None
    return {
        "value": stated.value,
        "standard_uncertainty": stated.uncertainty,
        "source": stated.source,
    }
