"""How often a gauge study's confidence limits hold the truth: `python -m tests.studies.gauge`."""
