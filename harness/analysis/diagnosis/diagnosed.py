"""What a diagnosis comes to, put into figures that a person can look for on the item."""

from __future__ import annotations

import numpy as np

from harness.analysis.diagnosis.diagnosis import Diagnosis, Suspicion, diagnose
from harness.analysis.diagnosis.fault_shapes import IMPEDANCE_OHM, distance_m, period_m
from harness.analysis.diagnosis.finding import Fault, Finding
from harness.analysis.diagnosis.observation import Observation
from harness.analysis.units import DB_PER_NEPER


def find(seen: Observation, end: int | None = None) -> Finding:
    """Diagnose and put the result into figures; `end` is that of `reflecting_end`."""
    return finding_of(seen, diagnose(seen), end)


def finding_of(seen: Observation, diagnosis: Diagnosis, end: int | None = None) -> Finding:
    """The figures of a diagnosis."""
    is_connector = diagnosis.named is not None and diagnosis.named.fault is Fault.CONNECTOR
    likeliest = diagnosis.suspicions[0]
    shown = diagnosis.named or likeliest
    place = int(np.argmax(np.abs(shown.effect_db)))
    return Finding(
        is_accused=diagnosis.is_accused,
        fault=None if diagnosis.named is None else diagnosis.named.fault.value,
        form=shown.form,
        probability=shown.probability,
        false_accusation=diagnosis.false_accusation,
        frequency_hz=float(seen.frequency_hz[place]),
        effect_db=float(shown.effect_db[place]),
        has_delay=diagnosis.has_delay,
        figures={} if diagnosis.named is None else _figures(seen, diagnosis.named),
        likelihoods={s.fault.value: s.probability for s in diagnosis.suspicions},
        end=end if is_connector else None,
    )


def _figures(seen: Observation, fault: Suspicion) -> dict[str, float]:
    match fault.fault:
        case Fault.LENGTH:
            longer = fault.coefficients[0]
            return {
                "length_ratio": 1.0 + longer,
                "stated_length_m": seen.cable_length_m,
                "length_m": (1.0 + longer) * seen.cable_length_m,
            }
        case Fault.CABLE:
            lost = seen.cable_db + fault.effect_db
            low, high = int(np.argmin(seen.frequency_hz)), int(np.argmax(seen.frequency_hz))
            return {
                "loss_ratio_at_lowest": float(lost[low] / seen.cable_db[low]),
                "loss_ratio_at_highest": float(lost[high] / seen.cable_db[high]),
                "excess_db_per_m": float(fault.effect_db[high] / seen.cable_length_m),
            }
        case Fault.CONNECTOR:
            return _of_connector(fault)
        case Fault.RIPPLE:
            path_s = fault.particulars["path_delay_s"]
            return {
                "ripple_period_hz": 1.0 / path_s,
                "distance_m": distance_m(seen, path_s),
                "ripple_db": float(np.ptp(fault.effect_db)),
            }
        case Fault.NOTCH:
            notch_hz = fault.particulars["frequency_hz"]
            return {"notch_hz": notch_hz, "period_m": period_m(seen, notch_hz)}


def _of_connector(fault: Suspicion) -> dict[str, float]:
    kept = {key: v for key, v in fault.particulars.items() if v > 0.0}
    if "inductance_h" not in kept and "capacitance_f" not in kept:
        flat_db = fault.coefficients[0]
        ohm = 2.0 * IMPEDANCE_OHM * float(np.expm1(flat_db / DB_PER_NEPER))
        kept = {"resistance_ohm": ohm} if ohm > 0.0 else {}
    return kept
