"""`tareline report`: runs as a table and a page, or a whole lot of them; also as CSV."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from harness.commands.named_runs import tell_left_out

if TYPE_CHECKING:
    from harness.several_runs.lot import Lot, LotItem

PAGE = "report.html"
TELL_EVERY_S = 0.5


def report(
    runs: Annotated[
        list[Path],
        typer.Argument(
            metavar="RUN|LOT", help="Run files (.h5), or one folder of them, which is a lot."
        ),
    ],
    page: Annotated[
        Optional[Path],  # noqa: UP045  (typer reads it at run time)
        typer.Option(
            help="Where to write the page; by default beside the first run file, or in the lot."
        ),
    ] = None,
    csv: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(
            metavar="FILE", help="Also a table for a spreadsheet: a row for each item and band."
        ),
    ] = None,
    each: Annotated[
        bool,
        typer.Option("--each", help="Of a lot: also the page of every item that has none yet."),
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="JSON instead of table and page.")
    ] = False,
) -> None:
    """Show runs as a table, and write them as one page to keep, print or send.

    Of a folder of run files: how the lot stands, band by band, worst items first.
    """
    from drivers.errors import InputError

    if csv is not None and csv.suffix.lower() == ".h5":
        raise InputError(f"{str(csv)!r} is the name of a run file", hint="--csv lot.csv")
    folders = [path for path in runs if path.is_dir()]
    if folders and len(runs) > 1:
        raise InputError(
            "a lot is one folder, by itself",
            where=str(folders[0]),
            hint="report one folder at a time, or name run files only",
        )
    if folders:
        raise typer.Exit(_report_lot(folders[0], page, csv, each, as_json))
    if each:
        raise InputError("--each belongs to a lot", hint="name a folder of run files")
    raise typer.Exit(_report_runs(runs, page, csv, as_json))


def _report_runs(paths: list[Path], page: Path | None, csv: Path | None, as_json: bool) -> int:
    from harness.commands.reporting import page_path, report_json, report_table, verdict_status
    from harness.evaluation.read_back import read_run

    read = [read_run(path) for path in paths]
    if as_json:
        typer.echo(report_json(read))
    else:
        report_table(read)
    if page is not None or not as_json:
        from harness.report.pages.run_page import write_page

        where = page or page_path(paths)
        _written(where, "page", lambda: write_page(read, where), as_json)
    if csv is not None:
        from harness.run_file.figures import read_figures
        from harness.several_runs.lot import LotItem

        # each run has its rows, whatever others there are of its item
        tell_left_out([run.path for run in read if not run.bands])
        items = [LotItem(read_figures(run.path)) for run in read if run.bands]
        _write_csv(items, csv, as_json)
    return verdict_status(read)


def _report_lot(
    folder: Path, page: Path | None, csv: Path | None, each: bool, as_json: bool
) -> int:
    from harness.report.files.lot_json import lot_json
    from harness.report.pages.lot_page import write_lot_page
    from harness.report.tables.lot_table import print_lot
    from harness.several_runs.lot import read_lot

    lot = read_lot(folder, _progress("reading"))
    if each:
        _write_each(lot)
    if as_json:
        typer.echo(lot_json(lot))
    else:
        from rich.console import Console

        print_lot(lot, Console())
    if page is not None or not as_json:
        where = page or folder / PAGE
        _written(where, "page", lambda: write_lot_page(lot, where), as_json)
    if csv is not None:
        _write_csv(lot.items, csv, as_json)
    return 0 if lot.is_good else 1


def _write_each(lot: Lot) -> None:
    """The page of every item that has none."""
    from harness.evaluation.read_back import read_run
    from harness.report.pages.lot_page import own_page
    from harness.report.pages.run_page import write_page

    missing = [i.run.path for i in lot.items if not own_page(i.run.path).exists()]
    seen = _progress("writing pages")
    for place, path in enumerate(missing, start=1):
        _guarded(own_page(path), partial(write_page, [read_run(path)], own_page(path)))
        seen(place, len(missing))
    typer.echo(f"pages of single items written: {len(missing)}", err=True)


def _write_csv(items: Iterable[LotItem], where: Path, quiet: bool) -> None:
    from harness.report.files.lot_csv import lot_csv
    from harness.report.files.spreadsheet import ENCODING
    from harness.report.files.whole_file import write_whole

    def write() -> None:
        write_whole(lot_csv(items), where, encoding=ENCODING)

    _written(where, "table", write, quiet)


def _written(where: Path, what: str, write: Callable[[], None], quiet: bool) -> None:
    """Write something and say where it is; on standard error where the output is JSON."""
    _guarded(where, write)
    typer.echo(f"{what}: {where}", err=quiet)


def _guarded(where: Path, write: Callable[[], None]) -> None:
    from drivers.errors import UnwritableError

    try:
        write()
    except OSError as error:
        raise UnwritableError(where, error) from error


def _progress(doing: str) -> Callable[[int, int], None]:
    """Tells now and then how far it is, where somebody looks."""
    last = time.monotonic()

    def seen(done: int, total: int) -> None:
        nonlocal last
        now = time.monotonic()
        if not sys.stderr.isatty() or (now - last < TELL_EVERY_S and done < total):
            return
        last = now
        end = "\n" if done == total else ""
        sys.stderr.write(f"\r{doing}: {done:,} of {total:,}{end}")
        sys.stderr.flush()

    return seen
