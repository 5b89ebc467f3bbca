"""The commands that every instrument has: IEEE 488.2 common, SYSTem, STATus and FORMat.

Clauses: IEEE 488.2 chapter 10 for the common commands, SCPI-99 volume 2 chapters 9 (FORMat),
20 (STATus) and 21 (SYSTem).
"""

from collections.abc import Iterator
from typing import Final

from drivers.simulated.scpi.commands import Command, Declaration, Query, setting
from drivers.simulated.scpi.parameters import Choice, Integer
from drivers.simulated.scpi.responses import DataFormat, Quoted
from drivers.simulated.scpi.scpi_errors import ScpiError
from drivers.simulated.scpi.status import ALL, Status, StatusRegister

__all__ = ["format_commands", "status_commands", "system_commands"]

SCPI_VERSION: Final = "1999.0"


def system_commands(status: Status) -> Iterator[Declaration]:
    """SYSTem:ERRor and SYSTem:VERSion."""

    def next_error() -> object:
        error = status.errors.pop()
        return error.number, Quoted(error.text)

    yield Query("SYSTem:ERRor[:NEXT]", next_error)
    yield Query("SYSTem:ERRor:COUNt", lambda: len(status.errors))
    yield Query("SYSTem:VERSion", lambda: SCPI_VERSION)


def status_commands(status: Status) -> Iterator[Declaration]:
    """STATus:OPERation, STATus:QUEStionable and STATus:PRESet."""

    def preset() -> None:
        status.operation.preset()
        status.questionable.preset()

    yield from _register_commands("STATus:OPERation", status.operation)
    yield from _register_commands("STATus:QUEStionable", status.questionable)
    yield Command("STATus:PRESet", preset)


def _register_commands(root: str, register: StatusRegister) -> Iterator[Declaration]:
    mask = Integer(minimum=0, maximum=2 * ALL + 1)

    def set_enable(value: int) -> None:
        register.enable = value & ALL

    def set_positive(value: int) -> None:
        register.positive = value & ALL

    def set_negative(value: int) -> None:
        register.negative = value & ALL

    yield Query(f"{root}[:EVENt]", register.read_event)
    yield Query(f"{root}:CONDition", lambda: register.condition)
    yield from setting(f"{root}:ENABle", mask, get=lambda: register.enable, set=set_enable)
    yield from setting(f"{root}:PTRansition", mask, get=lambda: register.positive, set=set_positive)
    yield from setting(f"{root}:NTRansition", mask, get=lambda: register.negative, set=set_negative)


def format_commands(data_format: DataFormat) -> Iterator[Declaration]:
    """FORMat[:DATA] ASCii | REAL,32 | REAL,64 and FORMat:BORDer NORMal | SWAPped."""

    def set_data(kind: str, *lengths: int) -> None:
        length = lengths[0] if lengths else {"ASC": 0, "REAL": 64}[kind]
        if length not in {"ASC": (0,), "REAL": (32, 64)}[kind]:
            raise ScpiError(-224, f"{kind},{length}")
        data_format.real_bits = length

    def get_data() -> object:
        return ("REAL" if data_format.real_bits else "ASC"), data_format.real_bits

    def set_order(is_swapped: bool) -> None:
        data_format.is_swapped = is_swapped

    yield Command("FORMat[:DATA]", set_data, (Choice("ASCii", "REAL"), Integer()), optional=1)
    yield Query("FORMat[:DATA]", get_data)
    yield from setting(
        "FORMat:BORDer",
        Choice({"NORMal": False, "SWAPped": True}),
        get=lambda: data_format.is_swapped,
        set=set_order,
    )
