"""Units that figures are converted between, exact but for the rounding of a double."""

import math

SECONDS_PER_HOUR = 3600.0
DB_PER_NEPER = 20.0 / math.log(10.0)
"""Level of a ratio of e (ISO 80000-3, annex C)."""
