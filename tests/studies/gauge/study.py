"""Gauge studies drawn from known scatter, and how often their limits hold it."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np

from harness.analysis.lots.binomial import Share
from harness.analysis.lots.gauge_variances import CATEGORY_FACTOR, GaugeStudy, gauge_study

SEED = 29
LEAST = 0.93
"""Of 95 % stated; the limits are approximations (see `harness.analysis.lots.gauge_intervals`)."""


@dataclass(frozen=True)
class Bench:
    """True standard deviations, and the design of the study."""

    name: str
    item: float
    operator: float
    interaction: float
    repeatability: float
    items: int = 10
    operators: int = 3
    repeats: int = 3

    @property
    def gauge(self) -> float:
        return float(np.sqrt(self.operator**2 + self.interaction**2 + self.repeatability**2))

    def truth(self) -> dict[str, float]:
        return {
            "repeatability": self.repeatability,
            "reproducibility": float(np.hypot(self.operator, self.interaction)),
            "gauge": self.gauge,
            "items": self.item,
            "total": float(np.hypot(self.gauge, self.item)),
            "category ratio": CATEGORY_FACTOR * self.item / self.gauge,
            "gauge of total": self.gauge / float(np.hypot(self.gauge, self.item)),
        }

    def draw(self, rng: np.random.Generator) -> np.ndarray:
        p, o, r = self.items, self.operators, self.repeats
        return (
            0.5
            + self.item * rng.standard_normal((p, 1, 1))
            + self.operator * rng.standard_normal((1, o, 1))
            + self.interaction * rng.standard_normal((p, o, 1))
            + self.repeatability * rng.standard_normal((p, o, r))
        )


BENCHES = (
    Bench("typical", 0.030, 0.003, 0.002, 0.004),
    Bench("repeatability dominates", 0.030, 0.001, 0.001, 0.008),
    Bench("operators dominate", 0.030, 0.010, 0.002, 0.003),
    Bench("interaction dominates", 0.030, 0.002, 0.008, 0.003),
    Bench("operators alike", 0.030, 0.0, 0.0, 0.004),
    Bench("items nearly alike", 0.004, 0.003, 0.002, 0.004),
    Bench("small: 5 x 2 x 2", 0.030, 0.003, 0.002, 0.004, 5, 2, 2),
    Bench("many operators: 10 x 6 x 2", 0.030, 0.003, 0.002, 0.004, 10, 6, 2),
)


def limits(study: GaugeStudy) -> dict[str, tuple[float, float]]:
    parts = {
        "repeatability": study.repeatability, "reproducibility": study.reproducibility,
        "gauge": study.gauge, "items": study.item, "total": study.total,
    }  # fmt: skip
    found = {name: (part.sd_low, part.sd_high) for name, part in parts.items()}
    found["category ratio"] = (study.category_ratio.low, study.category_ratio.high)
    found["gauge of total"] = (study.study_share.low, study.study_share.high)
    return found


def coverage(bench: Bench, studies: int, seed: int = SEED, **options: float) -> dict[str, Share]:
    """How often the limits hold the truth, by figure; `options` go to `gauge_study`."""
    rng = np.random.default_rng([seed, zlib.crc32(bench.name.encode())])
    truth = bench.truth()
    inside = dict.fromkeys(truth, 0)
    for _ in range(studies):
        for name, (low, high) in limits(gauge_study(bench.draw(rng), **options)).items():
            inside[name] += low <= truth[name] <= high
    return {name: Share(count, studies) for name, count in inside.items()}
