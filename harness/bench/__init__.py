"""What procedures drive: the Bench, the production bench, and what they are made of."""

__all__ = [
    "bench",
    "clock",
    "equipment",
    "lot_bench",
    "lot_rehearsal",
    "operator_lines",
    "procedure",
    "procedure_errors",
    "readings_check",
    "rehearsal",
    "replay",
    "sitting",
    "takeover",
    "timetable",
    "zero_judgement",
    "zero_record",
]
