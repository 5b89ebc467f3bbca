"""What procedures drive: the Bench, the production bench, and what they are made of.

Procedures use `bench` and `lot_bench`; whoever carries one out makes it of an
`equipment`.
"""

__all__ = [
    "bench",
    "clock",
    "connection_judge",
    "equipment",
    "lot_bench",
    "lot_rehearsal",
    "operator_lines",
    "procedure",
    "procedure_errors",
    "readings_check",
    "rehearsal",
    "replay",
    "schedule",
    "sitting",
    "storing",
    "takeover",
    "timetable",
    "zero_judgement",
    "zero_record",
]
