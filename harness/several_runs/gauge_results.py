"""A gauge study band by band: at the frequency that decides, and as the mean over the band."""

from __future__ import annotations

from dataclasses import dataclass

from harness.analysis.lots.gauge_judgement import GaugeStanding, Judgement, judge_limit
from harness.analysis.lots.gauge_variances import GaugeStudy, gauge_study
from harness.several_runs.gauge_runs import StudiedBand, StudiedRuns


@dataclass(frozen=True)
class AssessedBand:
    """What the study says of one band."""

    runs: StudiedBand
    study: GaugeStudy
    """At the frequency that decides."""
    judgement: Judgement | None
    """None without a limit."""
    band_mean: GaugeStudy
    """Of the mean loss over the band."""

    @property
    def frequency_hz(self) -> float:
        """The frequency that decides."""
        return float(self.runs.frequency_hz[self.runs.deciding_index])


@dataclass(frozen=True)
class AssessedStudy:
    """What the study says of all bands."""

    runs: StudiedRuns
    bands: tuple[AssessedBand, ...]

    @property
    def cannot_judge(self) -> bool:
        """Whether any limit is beyond what the bench can judge, or cannot be told."""
        return any(
            band.judgement is not None
            and band.judgement.standing in (GaugeStanding.CANNOT, GaugeStanding.UNKNOWN)
            for band in self.bands
        )


def assess_study(runs: StudiedRuns) -> AssessedStudy:
    """Analyse every band."""
    return AssessedStudy(runs, tuple(_assess(band) for band in runs.bands))


def _assess(band: StudiedBand) -> AssessedBand:
    study = gauge_study(band.loss_db[..., band.deciding_index])
    limit = band.deciding_limit_db
    return AssessedBand(
        runs=band,
        study=study,
        judgement=None if limit is None else judge_limit(study, limit),
        band_mean=gauge_study(band.loss_db.mean(axis=-1)),
    )
