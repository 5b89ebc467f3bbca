"""`tareline export`: what a run found, for other programs: CSV and Touchstone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from harness.commands.named_runs import RunsOrFolders, finished_runs

if TYPE_CHECKING:
    from harness.run_file.run import Run

DEFAULT_REFERENCE_OHM = 50.0


def export(
    runs: RunsOrFolders,
    csv: Annotated[
        Optional[Path],  # noqa: UP045  (typer reads it at run time)
        typer.Option(metavar="DIR", help="Folder for tables over frequency, one for each run."),
    ] = None,
    touchstone: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="DIR", help="Folder for two-port files, one for each run."),
    ] = None,
    touchstone_version: Annotated[
        str, typer.Option(metavar="1.1|2.0", help="1.1 writes .s2p, 2.0 writes .ts.")
    ] = "1.1",
    force: Annotated[
        bool, typer.Option("--force", help="Replace files that are already there.")
    ] = False,
) -> None:
    """Write runs as tables for a spreadsheet, or as Touchstone files for a simulator.

    All files are made up before the first is written. Runs that are not finished are left out.
    """
    from drivers.errors import InputError, UnwritableError
    from harness.report.files.frequency_csv import frequency_csv
    from harness.report.files.spreadsheet import ENCODING
    from harness.report.files.touchstone import SUFFIX
    from harness.report.files.whole_file import write_whole

    if csv is None and touchstone is None:
        raise InputError("there is nothing to export to", hint="--csv DIR, --touchstone DIR")
    if touchstone_version not in SUFFIX:
        raise InputError(
            f"Touchstone files of version {touchstone_version!r} are not written",
            hint=f"--touchstone-version {' or '.join(SUFFIX)}",
        )
    texts: dict[Path, tuple[str, str]] = {}
    for run in finished_runs(runs):
        path, made = run.path, []
        if csv is not None:
            made.append((csv / f"{path.stem}.csv", frequency_csv(run), ENCODING))
        if touchstone is not None:
            name = touchstone / f"{path.stem}{SUFFIX[touchstone_version]}"
            made.append((name, _two_port(run, touchstone_version), "ascii"))
        for target, text, encoding in made:
            if target in texts:
                raise InputError(
                    f"two of the runs would both become {str(target)!r}",
                    hint="export them into different folders",
                )
            texts[target] = (text, encoding)
    there = [str(target) for target in texts if target.exists()]
    if there and not force:
        raise InputError(
            f"already there: {', '.join(there[:3])}{' and more' if len(there) > 3 else ''}; "
            "nothing was written",
            hint="choose another folder, or replace them with --force",
        )
    for target, (text, encoding) in texts.items():
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            write_whole(text, target, encoding=encoding)
        except OSError as error:
            raise UnwritableError(target, error) from error
        typer.echo(f"wrote {target}")


def _two_port(run: Run, version: str) -> str:
    """The run as Touchstone text.

    Raises:
        InputError: it holds no phase.
    """
    from drivers.errors import InputError
    from harness.analysis.loss.scattering import item_scattering
    from harness.report.files.touchstone import touchstone_text
    from harness.run_file import open_run, read_blocks

    with open_run(run.path) as file:
        blocks = read_blocks(file)
        if any(band.is_scalar for band in blocks.values()):
            raise InputError(
                "no Touchstone file can be made of a run that measured magnitudes only: it has "
                "no phase",
                where=str(run.path),
                hint="--csv writes its loss over frequency",
            )
        measured = {
            name: item_scattering(blocks[name], band.insertion_loss_db)
            for name, band in run.bands.items()
        }
    stated = run.parameters.get("reference_ohm", DEFAULT_REFERENCE_OHM)
    return touchstone_text(run, measured, float(stated), version)
