"""Files for other programs: JSON, CSV, Touchstone."""
