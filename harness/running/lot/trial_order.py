"""The order of the trials of a gauge study: random within each operator, the same every time."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np

from harness.bench.sitting import Wanted


def trial_order(
    serials: Sequence[str], operators: Sequence[str], repeats: int, seed_text: str
) -> list[Wanted]:
    """Every operator with every item so many times; in random order within an operator.

    The same seed text, such as the name of the study's folder, gives the same order whenever the
    study is taken up again. It does not depend on the order of the serial numbers.
    """
    trials = []
    for operator in operators:
        digest = hashlib.sha256(f"{seed_text}\n{operator}".encode()).digest()
        generator = np.random.default_rng(int.from_bytes(digest[:8], "big"))
        pairs = [(serial, number) for serial in sorted(serials) for number in range(1, repeats + 1)]
        for place in generator.permutation(len(pairs)):
            serial, number = pairs[place]
            trials.append(Wanted(serial, {"operator": operator, "repeat": number}))
    return trials
