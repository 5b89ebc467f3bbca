"""Numbers and sentences."""

__all__ = [
    "complaint",
    "decisions",
    "diagnosis_words",
    "event_words",
    "gauge_words",
    "lot_words",
    "night_words",
    "numbers",
    "particulars",
    "rating_words",
    "sentences",
    "signs",
    "stability_words",
    "suggested_command",
    "time_axis",
    "validity",
    "verdict_line",
]
