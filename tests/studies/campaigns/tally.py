"""Counting how often the truth lies inside U, and how far errors reach into it."""

from collections import defaultdict

import numpy as np


class Tally:
    """Normalized errors E_n = (stated - true) / U by quantity, one row a campaign (ISO 13528:2015,
    9.7, with an exact reference)."""

    def __init__(self) -> None:
        self.rows: dict[str, list[np.ndarray]] = defaultdict(list)

    def add(self, quantity, stated, true, expanded) -> None:
        self.rows[quantity].append(np.atleast_1d((stated - true) / expanded))

    def inside(self, quantity: str) -> np.ndarray:
        """Share of campaigns with the truth inside U, at each of the quantity's frequencies."""
        return np.mean(np.abs(np.stack(self.rows[quantity])) <= 1.0, axis=0)

    def table(self) -> str:
        lines = [
            "| quantity | campaigns | truth inside U, mean | at the worst frequency | rms E_n |",
            "| --- | --- | --- | --- | --- |",
        ]
        for quantity, rows in self.rows.items():
            share, rms = self.inside(quantity), np.sqrt(np.mean(np.square(np.stack(rows))))
            lines.append(
                f"| {quantity} | {len(rows)} | {share.mean():.1%} | {share.min():.1%} | {rms:.2f} |"
            )
        return "\n".join(lines)
