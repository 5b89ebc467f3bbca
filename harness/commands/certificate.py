"""`tareline certificate`: one printable page for one item, from its run file alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from harness.commands.named_runs import finished_runs

if TYPE_CHECKING:
    from harness.run_file.run import Run


def certificate(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="Run file (.h5), finished.")],
    details: Annotated[
        Optional[Path],  # noqa: UP045  (typer reads it at run time)
        typer.Option(
            help="File (TOML) with laboratory, customer, dates and who authorises; "
            "`tareline init` writes one to start from."
        ),
    ] = None,
    page: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="Where to write it; by default beside the run file."),
    ] = None,
    despite: Annotated[
        str,
        typer.Option(
            metavar="REASON",
            help="Issue it although the run is doubted; the doubts and the reason stand on it.",
        ),
    ] = "",
    force: Annotated[
        bool, typer.Option("--force", help="Replace a certificate that is already there.")
    ] = False,
) -> None:
    """Write a certificate: results with U and k, decision rule, verdict, lines to sign.

    What nobody states is a blank line on the page. It claims no accreditation. None is issued for
    a run that is doubted: without a verdict, with marks of the zero, or to be measured again.
    """
    import hashlib

    from drivers.errors import InputError, UnwritableError
    from harness.commands.reporting import verdict_status
    from harness.report.files.whole_file import write_whole
    from harness.report.pages.certificate_page import certificate_page, roles_of
    from harness.station.certificate_details import CertificateDetails, read_details

    if run.is_dir():
        raise InputError(
            "a certificate is of one item",
            where=str(run),
            hint="name one of the run files in the folder",
        )
    (read,) = finished_runs([run])
    _require_trusted(read, despite)
    stated = CertificateDetails() if details is None else read_details(details, roles_of(read))
    where = page or run.with_name(f"{run.stem}-certificate.html")
    if where.exists() and not force:
        raise InputError(
            f"{str(where)!r} is already there, and a certificate may have been handed out",
            hint="name another file with --page, or replace it with --force",
        )
    try:
        text = certificate_page(
            read, stated, hashlib.sha256(run.read_bytes()).hexdigest(), despite.strip()
        )
        write_whole(text, where)
    except ValueError as error:
        raise InputError(
            str(error), where=str(run), hint="finish the run, or measure the item again"
        ) from error
    except OSError as error:
        raise UnwritableError(where, error) from error
    typer.echo(f"certificate: {where}")
    raise typer.Exit(verdict_status([read]))


def _require_trusted(run: Run, despite: str) -> None:
    from drivers.errors import InputError
    from harness.report.words.validity import doubts_of

    doubts = doubts_of(run)
    if doubts and not despite.strip():
        raise InputError(
            f"no certificate is issued for a run that is doubted: {' '.join(doubts)}",
            where=str(run.path),
            hint="measure the item again; or read what is doubted and say why it is issued: "
            '--despite "REASON", which stands on the certificate',
        )
