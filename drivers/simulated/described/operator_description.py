"""How the simulated operator works: the table `[operator]` of a bench's file."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from drivers.quantities import TimeS
from drivers.toml_file import Table

Share = Annotated[float, Field(ge=0.0, le=1.0)]
LONGEST_S = 3600.0
OperatorTimeS = Annotated[TimeS, Field(ge=0.0, le=LONGEST_S)]


class Operator(Table):
    """What the hands do when they are asked, and how often they do it badly. Medians of times."""

    reaction_time_s: OperatorTimeS = Field(default=2.0, alias="reaction_time")
    """From being asked to touching the first nut."""
    undoing_time_s: OperatorTimeS = Field(default=3.0, alias="undoing_time")
    """For one end."""
    exchange_time_s: OperatorTimeS = Field(default=3.0, alias="exchange_time")
    """With nothing between the leads: one thing is put down, another is picked up."""
    making_time_s: OperatorTimeS = Field(default=4.0, alias="making_time")
    """For one end, until its contacts touch."""
    tightening_time_s: OperatorTimeS = Field(default=2.0, alias="tightening_time")
    """For one end, from touching to the torque wrench's click."""
    time_spread: float = Field(default=0.3, ge=0.0, le=1.0)
    """Standard deviation of the natural logarithm of every time."""
    bounces: float = Field(default=2.0, ge=0.0, le=20.0)
    """How often contacts open again before they stay, on average."""
    bounce_time_s: OperatorTimeS = Field(default=0.3, alias="bounce_time")
    """Of one opening, and of one touching between two."""
    fumble_share: Share = 0.15
    """Of exchanges in which something falls down, or the wrong end is made first and undone."""
    fumble_time_s: OperatorTimeS = Field(default=15.0, alias="fumble_time")
    one_end_share: Share = 0.02
    """Of makings in which the second end is forgotten until somebody asks."""
    loose_share: Share = 0.05
    """Of makings in which one nut is left finger-tight until somebody asks."""
    loose_resistance: float = Field(default=25.0, ge=1.0, le=1000.0)
    """Contact resistance under a finger-tight nut, over that of a tight one."""
    loose_gap: float = Field(default=4.0, ge=1.0, le=1000.0)
    """Likewise of the gap's inductance."""
    wobble: float = Field(default=0.4, ge=0.0, le=3.0)
    """Standard deviation of the natural logarithm of that resistance, from sweep to sweep."""
