"""The [decision] table of a station or an item: which rule judges, and at which risk."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, ValidationInfo, model_validator

from drivers.quantities import SI_CONTEXT, parse_quantity
from drivers.toml_file import Table
from harness.analysis.uncertainty.conformity import USUAL_RISK, DecisionRule, RuleName

SHARE_UNITS = {"%": 1.0}


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
