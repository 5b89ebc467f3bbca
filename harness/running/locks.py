"""One process at a time for an instrument, and for a run file.

Advisory locks (`flock`) on files in a folder that all users of the machine share. The kernel lets
go of them when their process ends, however it ends, so none is ever left behind; the files stay.

An instrument has two. That of its driver tells whether somebody works with it. The other is
shared with the guard, which keeps it beyond the end of a killed program until RF is off. Whoever
comes next waits for that: else its own RF would be switched off in the middle of a sweep.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from drivers.errors import BusyError, TarelineError
from drivers.link.link import canonical_resource
from drivers.stop_signals import sleep

FOLDER_VARIABLE = "TARELINE_LOCKS"
"""Environment variable that names another folder for the locks."""
GUARD_PATIENCE_S = 10.0
"""How long a guard may take: it tries for 5 s, and may then be within an answer or two."""
RETRY_S = 0.05
LONGEST_TEXT, LONGEST_SHOWN = 8192, 200
"""Bytes of what a lock's file tells, and characters of what is shown of a part of it."""
_LONGEST_NAME = 80
_DRIVER, _GUARD, _RUN = "driver", "guard", "run"


@dataclass(frozen=True)
class Holder:
    """Who has a lock, as its file tells; nothing is known where that cannot be read."""

    process: int | None = None
    command: str = ""
    run: str = ""
    since: str = ""

    def __str__(self) -> str:
        if self.process is None:
            return "another process"
        particulars = ", ".join(filter(None, (self.command, self.run, f"since {self.since}")))
        return f"process {self.process} ({particulars})"


class InstrumentLocks:
    """The locks of a station's instruments; valid within `lock_instruments`."""

    def __init__(self) -> None:
        self._drivers: list[int] = []
        self._guards: list[int] = []

    @property
    def guard_descriptors(self) -> tuple[int, ...]:
        """What a guard has to inherit: the instruments stay locked for as long as it lives."""
        return tuple(self._guards)

    def tell_run(self, path: Path) -> None:
        """Let others know which run file is being written."""
        for descriptor in self._drivers:
            _tell_holder(descriptor, str(path))

    def take(self, resource: str, folder: Path, stack: ExitStack) -> None:
        """Lock an instrument until `stack` is unwound; raises `BusyError`."""
        name = _file_name(canonical_resource(resource))
        driver = _locked(folder / f"{name}.{_DRIVER}", stack)
        if driver is None:
            holder = _holder(folder / f"{name}.{_DRIVER}")
            raise BusyError(
                f"the instrument is driven by {holder}",
                where=resource,
                hint="wait for its end, or end it there; two runs cannot drive one instrument",
            )
        _tell_holder(driver)
        guard = _locked(folder / f"{name}.{_GUARD}", stack, patience_s=GUARD_PATIENCE_S)
        if guard is None:
            raise BusyError(
                "the guard of a run that was killed still tries to switch RF off here",
                where=resource,
                hint="RF may be on: switch it off at the instrument, and see why it does not "
                "answer; then try again",
            )
        self._drivers.append(driver)
        self._guards.append(guard)


@contextmanager
def lock_instruments(resources: Iterable[str]) -> Iterator[InstrumentLocks]:
    """Keep other processes from driving the instruments at these VISA addresses.

    Where only a guard still holds one of them, waits until it has done its work.

    Raises:
        BusyError: another process drives one of them; says which.
        TarelineError: the folder of the locks cannot be used.
    """
    with ExitStack() as stack:
        held = InstrumentLocks()
        for resource in dict.fromkeys(resources):
            held.take(resource, lock_folder(), stack)
        yield held


@contextmanager
def lock_run(path: Path) -> Iterator[None]:
    """Keep other processes on this machine from writing a run file, which need not be there yet.

    The lock is on a file of its own, so that the run file may be replaced meanwhile.

    Raises:
        BusyError: another process writes it; says which.
        TarelineError: the folder of the locks cannot be used.
    """
    whole = os.path.realpath(path)
    lock = lock_folder() / f"{_file_name(whole)}.{_RUN}"
    with ExitStack() as stack:
        descriptor = _locked(lock, stack)
        if descriptor is None:
            raise BusyError(
                f"the run goes on in {_holder(lock)}",
                where=str(path),
                hint="wait for its end, or end it there",
            )
        _tell_holder(descriptor, whole)
        yield


def lock_folder() -> Path:
    """The folder of the locks, made if need be so that every user of the machine may use it.

    Raises:
        TarelineError: it cannot be made.
    """
    stated = os.environ.get(FOLDER_VARIABLE)
    folder = Path(stated) if stated else Path(tempfile.gettempdir()) / "tareline-locks"
    try:
        folder.mkdir(parents=True)
        folder.chmod(0o1777)
    except FileExistsError:
        pass
    except OSError as error:
        raise _unusable(folder, error) from error
    return folder


def _locked(path: Path, stack: ExitStack, *, patience_s: float = 0.0) -> int | None:
    """Descriptor of a file that is locked until `stack` is unwound; None if somebody has it."""
    end_s = time.monotonic() + patience_s
    while True:
        try:
            descriptor = _opened(path)
        except OSError as error:
            raise _unusable(path.parent, error) from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if _is_at(path, descriptor):
                stack.callback(os.close, descriptor)
                return descriptor
            os.close(descriptor)  # somebody cleared the folder up in between
        except BlockingIOError:
            os.close(descriptor)
            if time.monotonic() >= end_s:
                return None
            sleep(RETRY_S)
        except OSError as error:
            os.close(descriptor)
            raise _unusable(path.parent, error) from error


def _opened(path: Path) -> int:
    """Open a lock's file, which may be another user's, or make it for everybody.

    A kernel may refuse O_CREAT for a file of another user's in a folder like this one, so what
    is there is opened without.
    """
    flags = os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW
    while True:
        with suppress(FileNotFoundError):
            return os.open(path, flags)
        with suppress(FileExistsError):
            descriptor = os.open(path, flags | os.O_CREAT | os.O_EXCL, 0o666)
            os.fchmod(descriptor, 0o666)  # whatever the user's mask says
            return descriptor


def _is_at(path: Path, descriptor: int) -> bool:
    with suppress(FileNotFoundError):
        return os.path.samestat(path.stat(), os.fstat(descriptor))
    return False


def _tell_holder(descriptor: int, run: str = "") -> None:
    """Write into a lock's file who has it."""
    holder = {
        "process": os.getpid(),
        "command": " ".join([Path(sys.argv[0]).name, *sys.argv[1:]])[:LONGEST_SHOWN],
        "run": run,
        "since": datetime.now().astimezone().isoformat(timespec="seconds"),
    }
    text = json.dumps(holder)
    with suppress(OSError):  # a disk that is full costs others the name, not us the measurement
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, f"{text}\n".encode(), 0)


def _holder(path: Path) -> Holder:
    """Who wrote into a lock's file; nobody known where it is being written, or cleared away."""
    try:
        told = json.loads(path.read_bytes()[:LONGEST_TEXT])
        since = datetime.fromisoformat(told["since"])
        is_today = since.date() == datetime.now().astimezone().date()
        return Holder(
            int(told["process"]),
            _shown(told["command"]),
            _shown(Path(told["run"]).name),
            f"{since:%H:%M}" if is_today else f"{since:%Y-%m-%d %H:%M}",
        )
    except (OSError, ValueError, KeyError, TypeError):
        return Holder()


def _shown(text: str) -> str:
    """A text that another user may have written, harmless for a terminal."""
    return "".join(sign if sign.isprintable() else "?" for sign in text[:LONGEST_SHOWN])


def _file_name(what: str) -> str:
    """A name for a file: what can be read of it, and a digest that tells it from all others."""
    readable = re.sub(r"[^A-Za-z0-9.-]+", "_", what)[-_LONGEST_NAME:]
    return f"{readable}-{hashlib.sha256(what.encode()).hexdigest()[:12]}"


def _unusable(folder: Path, error: OSError) -> TarelineError:
    return TarelineError(
        f"instruments cannot be locked: {error}",
        where=str(folder),
        hint=f"make the folder usable for all users (mode 1777), or name another one in "
        f"{FOLDER_VARIABLE}, the same for all of them",
    )
