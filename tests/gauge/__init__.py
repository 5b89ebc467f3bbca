"""How often the confidence limits of a gauge study hold the truth: `python -m tests.gauge`."""
