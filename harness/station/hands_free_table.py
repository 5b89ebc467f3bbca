"""The table of a station file that lets the bench watch connections being made."""

from __future__ import annotations

from pydantic import Field

from drivers.quantities import LevelDbm, TimeS
from drivers.toml_file import Table

LONGEST_S = 3600.0


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
