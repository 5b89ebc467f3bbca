"""The command line in a process of its own, forked from the tests': what it imports is there
already, so that it starts at once. Some tests start it from nothing, as a person does."""

import gc
import importlib
import os
import sys
import tempfile
import warnings
from functools import cache
from pathlib import Path
from pkgutil import walk_packages
from types import SimpleNamespace

import harness
from harness.analysis.expected.catalogue_files import load_catalogue
from harness.commands.cli import command

FROM_NOTHING = (sys.executable, "-c", "from harness.commands.start import main; main()")
NO_STATUS = 70
LOADED = (
    "encodings.idna", "jinja2", "matplotlib.backends", "matplotlib.backends.backend_svg",
    "matplotlib.figure", "matplotlib.font_manager", "procedures.qualify", "pydantic.type_adapter",
    "pyvisa_py", "quantiphy", "rich._emoji_codes", "rich.console", "rich.markup", "rich.progress",
    "rich.table", "scipy.integrate", "scipy.interpolate", "scipy.linalg", "scipy.optimize",
    "scipy.stats", "typer.rich_utils",
)  # fmt: skip
"""What the house imports where it is used."""


@cache
def load():
    """Have there before the first is forked what commands import and make for themselves."""
    for name in (*LOADED, *(each.name for each in walk_packages(harness.__path__, "harness."))):
        importlib.import_module(name)
    load_catalogue()
    command()
    gc.collect()
    gc.freeze()


class Started:
    """A command that runs; its standard output and error go to files."""

    def __init__(self, arguments, folder, typed):
        load()
        self._files = tempfile.TemporaryDirectory()
        self._said = [Path(self._files.name) / name for name in ("stdout", "stderr")]
        typed_file = Path(self._files.name) / "stdin"
        typed_file.write_text(typed, "utf-8")
        for path in self._said:
            path.touch()  # it may be killed before it says anything
        self._status = None
        with warnings.catch_warnings():
            # Python 3.12 and later: the test runner has threads, which the child does without
            warnings.simplefilter("ignore", DeprecationWarning)
            self.process_id = os.fork()
        if self.process_id == 0:
            _be_the_command(arguments, folder, typed_file, *self._said)

    def send_signal(self, number):
        """Unless it has ended."""
        if not self.has_ended():
            os.kill(self.process_id, number)

    def has_ended(self):
        """Whether it has; does not wait."""
        return self._ended(os.WNOHANG)

    def finished(self):
        """Exit status and what it said, once it has ended."""
        self._ended(0)
        out, err = (path.read_text("utf-8") for path in self._said)
        self._files.cleanup()
        return SimpleNamespace(
            returncode=os.waitstatus_to_exitcode(self._status), stdout=out, stderr=err
        )

    def _ended(self, options):
        if self._status is None:
            ended, status = os.waitpid(self.process_id, options)
            if ended:
                self._status = status
        return self._status is not None


def tareline(*arguments, folder, typed=""):
    """Carry a command out; nobody is there to answer a prompt, except by what is `typed`."""
    return Started(arguments, folder, typed).finished()


def _be_the_command(arguments, folder, stdin, stdout, stderr):
    status = NO_STATUS
    try:
        os.setsid()
        os.chdir(folder)
        writing = os.O_WRONLY | os.O_CREAT
        for number, path, flags in (
            (0, stdin, os.O_RDONLY),
            (1, stdout, writing),
            (2, stderr, writing),
        ):
            file = os.open(path, flags, 0o600)
            os.dup2(file, number)
            os.close(file)
        sys.stdin = os.fdopen(0, encoding="utf-8")
        sys.stdout, sys.stderr = (os.fdopen(n, "w", encoding="utf-8") for n in (1, 2))
        sys.argv = ["tareline", *map(str, arguments)]
        warnings.resetwarnings()
        from harness.commands.start import main

        main()
        status = 0
    except SystemExit as ended:
        status = int(ended.code or 0)
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)
