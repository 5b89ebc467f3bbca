"""The tables of a station file by which it is judged: its zero, its uncertainties, its decisions,
and how it watches connections being made."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, ValidationInfo, model_validator

from drivers.quantities import SI_CONTEXT, LevelDbm, RatioDb, TimeS, parse_quantity
from drivers.toml_file import Table
from harness.analysis.loss.band import Method
from harness.analysis.uncertainty.conformity import USUAL_RISK, DecisionRule, RuleName

SHARE_UNITS = {"%": 1.0}
LONGEST_S = 3600.0


class Zero(Table):
    """What the zero may do before a run is marked; nothing is corrected for it."""

    most_change_db: RatioDb | None = Field(default=None, alias="most_change", gt=0)
    """From one check to the next, at any frequency."""
    oldest_s: TimeS | None = Field(default=None, alias="oldest", gt=0)
    """Time from a check to a sweep of the item."""


class Uncertainty(Table):
    """How contributions become an interval, and where earlier runs are."""

    method: Method = "gum"
    history: str | None = Field(default=None, min_length=1)
    """Folder of earlier runs, relative to the station file: their repeatability of a connection
    is pooled with that of a run."""


def _percent(value: Any, info: ValidationInfo) -> float:
    if info.context == SI_CONTEXT and isinstance(value, (int, float)):
        return float(value)
    return parse_quantity(value, SHARE_UNITS, "2.5 %")


class DecisionTable(Table):
    """The decision rule by its name; the risk belongs to "guard band for risk" alone."""

    rule: RuleName = "guard band U"
    risk_percent: Annotated[float, BeforeValidator(_percent)] | None = Field(
        default=None, alias="risk", gt=0, lt=50
    )

    @model_validator(mode="after")
    def _risk_where_it_counts(self) -> DecisionTable:
        wants_risk = self.rule == "guard band for risk"
        if wants_risk and self.risk_percent is None:
            raise ValueError('"guard band for risk" needs the risk it is for: risk = "2.5 %"')
        if not wants_risk and self.risk_percent is not None:
            raise ValueError(
                f'"{self.rule}" does not go by a risk: leave risk out, or choose rule = '
                '"guard band for risk"'
            )
        return self

    def as_rule(self) -> DecisionRule:
        """The rule as the analysis takes it."""
        share = USUAL_RISK if self.risk_percent is None else self.risk_percent / 100.0
        return DecisionRule(self.rule, share)


class HandsFree(Table):
    """How the bench looks whether a connection is made: short sweeps at a low level.

    RF is then on for each look while somebody works on the connection, and off between.
    """

    power_dbm: LevelDbm = Field(alias="power")
    """Level of the looks; as low as the receiver allows."""
    look_every_s: TimeS = Field(default=0.25, alias="look_every", gt=0, le=60.0)
    patience_s: TimeS = Field(default=60.0, alias="patience", gt=0, le=LONGEST_S)
    """So long a path may be open before somebody is asked whether both ends are made."""
    give_up_after_s: TimeS = Field(default=600.0, alias="give_up_after", gt=0, le=LONGEST_S)
    """After so long without a connection the bench stops looking, and waits for Enter."""
