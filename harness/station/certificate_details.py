"""What a certificate says that no run file knows: laboratory, customer, dates, who authorises."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

from pydantic import BeforeValidator, Field

from drivers.errors import InputError
from drivers.toml_file import Mistake, Table, nearest, raise_mistakes, read_table, require


def _day(value: object) -> date:
    # a date and time is a date to Python, but says more than a certificate does
    if type(value) is date:
        return value
    raise ValueError(f"{value!r} is no day: write it without quotes, as in 2026-03-02")


Day = Annotated[date | None, BeforeValidator(_day)]


class Party(Table):
    """A laboratory or a customer."""

    name: str = ""
    address: tuple[str, ...] = ()
    """Line by line."""
    contact: str = ""


class Laboratory(Party):
    """Who measured."""

    location: str = ""
    """Where it was measured, if not at the address (7.8.2.1 c)."""


class Customer(Party):
    """For whom."""

    order: str = ""


class Received(Table):
    """The item as it came in."""

    received: Day = None
    condition: str = ""
    serial: str = ""


class Calibration(Table):
    """Of an instrument of the run: what its readings are traceable through."""

    role: str
    """As the run names it, such as "network analyzer"."""
    serial: str = ""
    certificate: str = ""
    issued_by: str = ""
    calibrated: Day = None
    due: Day = None


class Authorised(Table):
    """Who signs."""

    name: str = ""
    function: str = ""


class CertificateDetails(Table):
    """Everything may be left out: it is then a line to fill in by hand, never made up."""

    number: str = ""
    issued: Day = None
    specification: str = ""
    """Which document the limits are taken from."""
    environment: str = ""
    """Conditions beside the temperature that the station states."""
    deviations: str = ""
    """Additions to, deviations or exclusions from the method (7.8.2.1 n)."""
    opinion: str = ""
    traceability: str = ""
    laboratory: Laboratory = Laboratory()
    customer: Customer = Customer()
    item: Received = Received()
    calibrations: tuple[Calibration, ...] = Field(default=())
    authorised: Authorised = Authorised()


def read_details(path: Path, roles: list[str]) -> CertificateDetails:
    """Read the details that go with a run whose instruments have these `roles`.

    Raises:
        InputError: with every mistake, each with file and key.
    """
    details = require(read_table(path, CertificateDetails))
    unknown = [
        Mistake(
            str(path),
            f"calibrations.{place}.role",
            f"the run has no {stated.role!r}; {nearest(stated.role, roles)}",
        )
        for place, stated in enumerate(details.calibrations)
        if stated.role not in roles
    ]
    raise_mistakes(unknown)
    named = [stated.role for stated in details.calibrations]
    for role in named:
        if named.count(role) > 1:
            raise InputError(
                f"{role!r} has more than one calibration", where=str(path), hint="keep the one "
                "that was in force when the item was measured"
            )  # fmt: skip
    return details
