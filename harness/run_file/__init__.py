"""The run file: written sweep by sweep, taken up again, finished, read.

The only package that imports h5py; `schema` says what stands where.
"""

from harness.run_file.amending import amend_run
from harness.run_file.comparing import analysis_differences
from harness.run_file.digests import DamagedError, has_digests, require_intact
from harness.run_file.journal import RunJournal
from harness.run_file.opening import DamagedRunError, open_run
from harness.run_file.publishing import RESERVE_BYTES, finish_run, finishing
from harness.run_file.reading import (
    check_sweeps,
    count_suspects,
    read_blocks,
    read_events,
    read_readings,
    read_temperature,
)
from harness.run_file.resumption import (
    Kept,
    Making,
    read_kept,
    read_last_swept,
    read_making,
    read_mean_times,
    read_rows,
)
from harness.run_file.schema import INDEX, SCHEMA, SMALL_CHUNK, Group, Kind, RunHeader, read_header
from harness.run_file.taking_up import take_up

__all__ = [
    "INDEX",
    "RESERVE_BYTES",
    "SCHEMA",
    "SMALL_CHUNK",
    "DamagedError",
    "DamagedRunError",
    "Group",
    "Kept",
    "Kind",
    "Making",
    "RunHeader",
    "RunJournal",
    "amend_run",
    "analysis_differences",
    "check_sweeps",
    "count_suspects",
    "earlier_zeros",
    "figures",
    "finish_run",
    "finishing",
    "has_digests",
    "history",
    "open_run",
    "read_blocks",
    "read_events",
    "read_header",
    "read_kept",
    "read_last_swept",
    "read_making",
    "read_mean_times",
    "read_readings",
    "read_rows",
    "read_temperature",
    "reading",
    "require_intact",
    "result_record",
    "run",
    "run_folder",
    "software",
    "take_up",
]
