"""Declarations: what an instrument says about each of its commands and queries."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from drivers.simulated.scpi.parameters import Choice, Number, Parameter
from drivers.simulated.scpi.scpi_errors import ScpiError
from drivers.simulated.scpi.syntax import Element

__all__ = ["Command", "Declaration", "Query", "setting"]

Ranges = Sequence[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Declaration:
    """What holds for commands and queries alike.

    `function` is called with the values of the numeric suffixes, then with those of the
    parameters. It may be a coroutine function: the message is then held until it returns.

    `pattern`: the header in SCPI notation, without `?`. `suffixes`: (lowest, highest) of each
    `<n>` of the pattern in turn. `optional`: how many of the last parameters may be left out
    (the function is called without them). `repeat_last`: the last parameter may come again.
    """

    pattern: str
    function: Callable[..., object]
    parameters: Sequence[Parameter] = ()
    suffixes: Ranges = ()
    optional: int = 0
    repeat_last: bool = False

    def __post_init__(self) -> None:
        if not 0 <= self.optional <= len(self.parameters):
            raise ValueError(f"{self.pattern}: {self.optional} optional parameters declared")
        if self.repeat_last and not self.parameters:
            raise ValueError(f"{self.pattern}: no parameter that could be repeated")

    def values(self, elements: Sequence[Element]) -> list[object]:
        """Return the values of received elements; raises ScpiError where they do not fit."""
        if not elements and not self.parameters:
            return []
        declared = list(self.parameters)
        if len(elements) < len(declared) - self.optional:
            raise ScpiError(-109, self.pattern)
        if len(elements) > len(declared):
            if not self.repeat_last:
                raise ScpiError(-108, self.pattern)
            declared += declared[-1:] * (len(elements) - len(declared))
        return [parameter.convert(e) for parameter, e in zip(declared, elements, strict=False)]


class Command(Declaration):
    """A command; what its function returns is of no account."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Query(Declaration):
    """A query: `pattern` with a `?`; what its function returns is the response.

    `is_indefinite` marks a response without a stated end, after which the same message may
    hold no other query (IEEE 488.2 6.4.5.4, from memory).
    """

    is_indefinite: bool = False


_LIMITS: Final = Choice({"MINimum": "MIN", "MAXimum": "MAX", "DEFault": "DEF"})


def setting(
    pattern: str,
    parameter: Parameter,
    *,
    get: Callable[..., object],
    set: Callable[..., object],
    suffixes: Ranges = (),
) -> tuple[Command, Query]:
    """Return the command and the query of a setting.

    `set` is called with the values of the numeric suffixes and the new value, `get` with those
    of the suffixes; what it returns is sent in the form of `parameter`. The query of a number
    takes MINimum, MAXimum and DEFault.
    """

    def query(*values: object) -> object:
        if len(values) > len(suffixes) and isinstance(parameter, Number):
            return parameter.respond(parameter.limit(str(values[-1])))
        return parameter.respond(get(*values))

    takes_limit = isinstance(parameter, Number)
    return (
        Command(pattern, set, (parameter,), suffixes),
        Query(pattern, query, (_LIMITS,) if takes_limit else (), suffixes, int(takes_limit)),
    )
