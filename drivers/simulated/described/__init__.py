"""What a simulated bench is made of: the tables of the file that describes it."""

__all__ = [
    "bench_description",
    "faulty_part_tables",
    "instrument_description",
    "operator_description",
    "part_tables",
    "surroundings",
]
