"""The adapter that closes the through, as a station states it: its loss in one of two ways."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from pydantic import Field, model_validator

from drivers.quantities import RatioDb
from drivers.toml_file import Table
from harness.analysis.arrays import FloatArray
from harness.station.loss_table import LossPoints, at_frequency, read_loss_table


class Through(Table):
    """The adapter that joins the leads while normalizing; left out where they join directly."""

    adapter: str
    loss_at_1_ghz_db: RatioDb | None = Field(default=None, alias="loss_at_1_ghz", ge=0)
    loss_limits_at_1_ghz_db: RatioDb | None = Field(
        default=None, alias="loss_limits_at_1_ghz", ge=0
    )
    loss: str | None = None
    """Instead of the two: a table of its loss over frequency, relative to the station file."""
    loss_points: LossPoints | None = None
    """What that table said when the station was read."""
    return_loss_db: RatioDb = Field(alias="return_loss", gt=0)

    @model_validator(mode="after")
    def _states_its_loss(self) -> Through:
        both = (self.loss_at_1_ghz_db, self.loss_limits_at_1_ghz_db)
        stated = [value is not None for value in both]
        if self.loss is None and self.loss_points is not None:
            raise ValueError("loss_points belong to a file: name it as loss")
        if any(stated) if self.loss is not None else not all(stated):
            raise ValueError(
                "give either loss_at_1_ghz with loss_limits_at_1_ghz, or loss, the file of a table"
            )
        return self

    @staticmethod
    def at_frequency(value_at_1_ghz_db: float, frequency_hz: FloatArray) -> FloatArray:
        """Ohmic loss rises with the square root of frequency (skin effect); shape (P,)."""
        return np.asarray(value_at_1_ghz_db * np.sqrt(frequency_hz / 1e9), dtype=np.float64)

    def loss_db(self, frequency_hz: FloatArray) -> FloatArray:
        """Loss with both matings, (P,)."""
        if self.loss_points is not None:
            return at_frequency(self.loss_points, frequency_hz)[0]
        return self._from_1_ghz(self.loss_at_1_ghz_db, frequency_hz)

    def loss_limits_db(self, frequency_hz: FloatArray) -> FloatArray:
        """Half-width of its rectangular limits, (P,); of a table, those of its uncertainty."""
        if self.loss_points is not None:
            return np.asarray(np.sqrt(3.0) * at_frequency(self.loss_points, frequency_hz)[1])
        return self._from_1_ghz(self.loss_limits_at_1_ghz_db, frequency_hz)

    def _from_1_ghz(self, stated_db: float | None, frequency_hz: FloatArray) -> FloatArray:
        if stated_db is None:
            raise AssertionError("a station that names a table is read together with it")
        return self.at_frequency(stated_db, frequency_hz)

    @property
    def loss_source(self) -> str:
        """Where its loss is stated."""
        if self.loss is None:
            return "station: through.loss_limits_at_1_ghz"
        return f"station: through.loss ({self.loss})"

    def require_loss(self, band: str, lowest_hz: float, highest_hz: float) -> None:
        """Make sure that a loss is stated all over a band.

        Raises:
            ValueError: the table ends within it.
        """
        if self.loss_points is None:
            return
        first_hz, last_hz = self.loss_points[0][0], self.loss_points[-1][0]
        if first_hz > lowest_hz or last_hz < highest_hz:
            raise ValueError(
                f"the table {self.loss!r} reaches from {first_hz / 1e6:g} to {last_hz / 1e6:g} "
                f"MHz, not over all of the band {band}: measure the adapter there as well"
            )


def with_loss_table(through: Through, folder: Path) -> Through:
    """The same with the table read that it names, relative to `folder`.

    Raises:
        ValueError: the table cannot be read.
    """
    if through.loss is None:
        return through
    return through.model_copy(update={"loss_points": read_loss_table(folder / through.loss)})
