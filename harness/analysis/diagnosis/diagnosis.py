"""What is wrong with an item, from the shape of its loss beyond the expected one.

Test: a sound item's residual r has covariance V (`diagnosis_observation`), so that each shape's
improvement of r' V^-1 r follows chi-square. The smallest probability, multiplied by the number of
families and of independent trials in them (Bonferroni), accuses if it is below
`FALSE_ACCUSATIONS`.

Choice: among the faults, by the probability that each gives the residual (marginal likelihood of
a linear model with normal priors), all faults alike beforehand. A shape is not taken to be exact:
it may depart from itself by `SHAPES_ARE_GOOD_TO`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from harness.analysis.arrays import FloatArray
from harness.analysis.diagnosis.fault_shapes import Family, families
from harness.analysis.diagnosis.finding import Fault
from harness.analysis.diagnosis.observation import Observation

FALSE_ACCUSATIONS = 0.02
"""Share of sound items that may be accused, all shapes taken together."""
SURE_ENOUGH = 0.7
"""Least probability, among the faults, at which one is named."""
SHAPES_ARE_GOOD_TO = 0.12
"""Relative: how far a real fault departs smoothly from its shape (a judgement)."""
UNEVENLY_GOOD_TO = 0.03
"""Likewise, from one frequency to the next."""
DEPARTS_OVER = 0.35
"""Correlation length of the smooth departure, in natural logarithms of frequency."""


@dataclass(frozen=True)
class Suspicion:
    """One fault, in its best form."""

    fault: Fault
    form: str
    probability: float
    """Of this fault among all faults, given the residual."""
    false_accusation: float
    """Probability that a sound item looks at least as much like any fault."""
    effect_db: FloatArray
    """(N,) what the fault adds at the observation's frequencies."""
    coefficients: tuple[float, ...]
    particulars: dict[str, float]


@dataclass(frozen=True)
class Diagnosis:
    """What the residual says."""

    is_accused: bool
    """Whether the item differs from a sound one by more than chance explains."""
    named: Suspicion | None
    """The fault, where one is sure enough."""
    suspicions: tuple[Suspicion, ...]
    """All that were tried, the likeliest first."""
    false_accusation: float
    """Probability that a sound item looks at least as faulty."""
    has_delay: bool
    """Whether phase told the delay; without, too long and too lossy cannot be told apart."""


@dataclass(frozen=True)
class _Whitened:
    root: FloatArray
    """Cholesky factor of the covariance, (N + 1, N + 1)."""
    target: FloatArray
    """(N + 1,)"""


def diagnose(seen: Observation) -> Diagnosis:
    """Try every shape on the residual.

    Raises:
        numpy.linalg.LinAlgError: the covariance is not positive definite.
    """
    covariance, target = _with_delay(seen)
    root = np.asarray(np.linalg.cholesky(covariance), dtype=np.float64)
    whitened = _Whitened(root, np.asarray(np.linalg.solve(root, target), dtype=np.float64))
    known = list(families(seen))
    tried = [_best(family, whitened, len(known)) for family in known]
    # the same for all shapes: one that leaves more unexplained must not be allowed more
    allowed = covariance + _departures(seen)
    evidence = [
        _log_evidence(family, place, allowed, target)
        for family, (place, _, _, _) in zip(known, tried, strict=True)
    ]
    by_fault: dict[Fault, tuple[float, Suspicion]] = {}
    top = max(evidence)
    of_fault: dict[Fault, float] = {}
    for family, (place, theta, effect, false), log in zip(known, tried, evidence, strict=True):
        of_fault[family.fault] = of_fault.get(family.fault, 0.0) + np.exp(log - top)
        suspicion = Suspicion(
            family.fault, family.name, 0.0, false, effect[:-1], tuple(theta.tolist()),
            {key: float(values[place]) for key, values in family.particulars.items()},
        )  # fmt: skip
        before = by_fault.get(family.fault)
        if before is None or log > before[0]:
            by_fault[family.fault] = (log, suspicion)
    total = sum(of_fault.values())
    ranked = sorted(
        (_with_probability(s, of_fault[fault] / total) for fault, (_, s) in by_fault.items()),
        key=lambda s: -s.probability,
    )
    false = min(f for _, _, _, f in tried)
    is_accused = false < FALSE_ACCUSATIONS and _is_worse(ranked[0])
    is_sure = ranked[0].probability >= SURE_ENOUGH
    named = ranked[0] if is_accused and is_sure else None
    return Diagnosis(
        is_accused, named, tuple(ranked), false, seen.delay_error is not None
    )  # fmt: skip


def _is_worse(suspicion: Suspicion) -> bool:
    """A contact that loses less than usual is no fault; another cable is, either way."""
    if suspicion.fault in (Fault.CABLE, Fault.LENGTH):
        return True
    return float(np.mean(suspicion.effect_db)) > 0.0


def _with_delay(seen: Observation) -> tuple[FloatArray, FloatArray]:
    """Covariance and target with the relative delay as the last entry; unknown, it says nothing."""
    count = len(seen.residual_db)
    covariance = np.zeros((count + 1, count + 1))
    covariance[:count, :count] = seen.covariance
    known = seen.delay_error is not None
    covariance[count, count] = seen.delay_standard_uncertainty**2 if known else 1e6
    return covariance, np.append(seen.residual_db, seen.delay_error or 0.0)


def _best(
    family: Family, whitened: _Whitened, families_tried: int
) -> tuple[int, FloatArray, FloatArray, float]:
    """Candidate, coefficients, effect (N + 1,) and probability of a false accusation."""
    from scipy.linalg import solve_triangular
    from scipy.special import chdtrc

    count, rows, free = family.design.shape
    flat = np.moveaxis(family.design, 1, 0).reshape(rows, count * free)
    white = solve_triangular(whitened.root, flat, lower=True, check_finite=False)
    white = np.moveaxis(white.reshape(rows, count, free), 0, 1)
    # normal priors are further readings, of the coefficients themselves
    normal = np.einsum("gni,gnj->gij", white, white) + np.diag(1.0 / family.spread**2)
    right = np.einsum("gni,n->gi", white, whitened.target) + family.usual / family.spread**2
    theta = np.linalg.solve(normal, right[..., None])[..., 0]
    fitted = np.einsum("gni,gi->gn", white, theta)
    rest = np.sum((whitened.target - fitted) ** 2, axis=1)
    rest += np.sum(((theta - family.usual) / family.spread) ** 2, axis=1)
    place = int(np.argmin(rest))
    improvement = max(float(np.sum(whitened.target**2) - rest[place]), 0.0)
    false = float(chdtrc(family.freedom, improvement)) * family.trials * families_tried
    return place, theta[place], family.design[place] @ theta[place], min(false, 1.0)


def _log_evidence(family: Family, place: int, covariance: FloatArray, target: FloatArray) -> float:
    """Logarithm of the marginal likelihood of the best candidate, less that of its choice."""
    design = family.design[place]
    spread = design * family.spread
    whole = covariance + spread @ spread.T
    root = np.linalg.cholesky(whole)
    white = np.linalg.solve(root, target - design @ family.usual)
    log_det = 2.0 * np.sum(np.log(np.diag(root)))
    return float(-0.5 * white @ white - 0.5 * log_det - np.log(len(family.design)))


def _departures(seen: Observation) -> FloatArray:
    """Covariance (N + 1, N + 1) of how real faults of this size depart from their shapes."""
    log_f = np.log(seen.frequency_hz)
    apart = np.subtract.outer(log_f, log_f)
    near = np.exp(-0.5 * (apart / DEPARTS_OVER) ** 2)
    size = np.sqrt(near @ seen.residual_db**2 / near.sum(axis=1))
    count = len(size)
    covariance = np.zeros((count + 1, count + 1))
    covariance[:count, :count] = SHAPES_ARE_GOOD_TO**2 * size[:, None] * near * size[None, :]
    covariance[:count, :count] += np.diag((UNEVENLY_GOOD_TO * size) ** 2)
    return covariance


def _with_probability(suspicion: Suspicion, probability: float) -> Suspicion:
    return replace(suspicion, probability=probability)
