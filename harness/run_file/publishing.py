"""How a file comes to stand under its name: whole, never over another, never for a moment none."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import ExitStack, contextmanager
from pathlib import Path

import h5py

from drivers.errors import RunFileError, reason
from harness.run_file.digests import seal
from harness.run_file.drafts import draft_of
from harness.run_file.figures import AGAIN, FIGURES, figures_digest
from harness.run_file.reading import read_events
from harness.run_file.run import why_again
from harness.run_file.schema import Group
from harness.run_file.writer_lock import lock

COPIED_AT_ONCE = 1 << 20
RESERVE_BYTES = 1 << 18
"""Kept free beyond what is to be written: a file that HDF5 could not write to its end is one that
it cannot close either."""


def require_room(statistics: os.statvfs_result, size_bytes: int) -> None:
    """Refuse before HDF5 does what a full disk would break off in the middle. Quotas are not seen.

    Raises:
        OSError: there is no room for so many bytes and the reserve.
    """
    free_bytes = statistics.f_bavail * statistics.f_frsize
    # a file system that states no size has no limit of its own
    if statistics.f_blocks and free_bytes < size_bytes + RESERVE_BYTES:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def synchronize(file: h5py.File) -> None:
    """Return when everything of an open file is on disk."""
    file.flush()
    os.fsync(file.id.get_vfd_handle())


def synchronize_folder(folder: Path) -> None:
    """Return when the names in a folder are on disk: a power cut must not bring the old back."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def make_folder(folder: Path) -> None:
    """Make a folder, and those above it, so that a power cut cannot take them away again."""
    missing = [each for each in (folder, *folder.parents) if not each.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for each in missing:
        synchronize_folder(each.parent)


def publish(draft: Path, path: Path) -> None:
    """Let `draft` appear as `path`, refusing to overwrite."""
    try:
        os.link(draft, path)
    except FileExistsError:
        raise
    except OSError:
        # a file system without hard links, such as that of a memory stick
        if path.exists():
            raise FileExistsError(path) from None
        draft.rename(path)
    synchronize_folder(path.parent)


def replace(draft: Path, path: Path) -> None:
    """Let `draft` take the place of `path`."""
    os.replace(draft, path)
    synchronize_folder(path.parent)


def finish_run(path: Path, finished: str, write_analysis: Callable[[Group], None]) -> None:
    """Add the analysis to a closed run file; at every moment the old or the new one is there.

    Raises:
        RunFileError: the disk refused; the file stands as it was.
    """
    with finishing(path, finished) as add:
        add(write_analysis)


@contextmanager
def finishing(path: Path, finished: str) -> Iterator[Callable[[Callable[[Group], None]], None]]:
    """As `finish_run`, for an analysis that is still to be made: the file is copied meanwhile.

    Gives a function that takes what writes the analysis, and then puts the file in its place.

    Raises:
        RunFileError: the disk refused; the file stands as it was.
    """
    draft = draft_of(path, "finishing")

    def add(write_analysis: Callable[[Group], None]) -> None:
        with disk(path):
            copied.result()
            with h5py.File(draft, "r+", libver="latest") as file:
                write_analysis(file.create_group("analysis"))
                file.attrs["finished"] = finished
                file["analysis"].attrs[AGAIN] = why_again(read_events(file))
                file["analysis"].attrs[FIGURES] = figures_digest(file.id)
                seal(file)
                synchronize(file)
            replace(draft, path)

    with ThreadPoolExecutor(1, thread_name_prefix="copying") as copying, ExitStack() as stack:
        copied = copying.submit(_copied, path, draft, stack)
        try:
            yield add
        finally:
            wait([copied])
            draft.unlink(missing_ok=True)


def _copied(path: Path, draft: Path, stack: ExitStack) -> None:
    """Copies, and keeps the copy locked until `stack` is unwound."""
    require_room(os.statvfs(path.parent), path.stat().st_size)
    with path.open("rb") as source:
        copy = stack.enter_context(draft.open("xb"))
        lock(copy.fileno())
        shutil.copyfileobj(source, copy, COPIED_AT_ONCE)
    copy.flush()
    # on its way to the disk now, there is little left to wait for at the end
    os.fsync(copy.fileno())


@contextmanager
def disk(path: Path) -> Iterator[None]:
    """Say of the run file what a disk refuses.

    Raises:
        RunFileError: instead of any OSError or HDF5's own errors.
    """
    try:
        yield
    except FileExistsError as error:
        raise RunFileError(
            f"the run file {str(path)!r} is already there and is never overwritten",
            hint="choose another folder with --results",
        ) from error
    except (OSError, RuntimeError) as error:
        raise RunFileError(
            f"the run file cannot be written: {reason(error)}",
            where=str(path),
            hint="is there room on the disk, and may you write there? Finished sweeps are kept",
        ) from error
