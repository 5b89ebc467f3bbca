"""The simulated operator's hand: connects things, and tells the bench's own time.

CONNect makes a connection at once, and well, or forgets to, as often as its table says; OPERator
asks a person to make it, who takes time.
The hand is an instrument of its own, so that the analyzer has no command that a real one lacks.
"""

from __future__ import annotations

from drivers.simulated.operator.simulated_operator import SimulatedOperator
from drivers.simulated.physics.simulated_bench import (
    NOTHING,
    STREAM_FORGOTTEN,
    THROUGH,
    SimulatedBench,
)
from drivers.simulated.scpi import (
    Command,
    Engine,
    Identity,
    Number,
    Query,
    Quoted,
    ScpiError,
    Text,
)

_ILLEGAL_VALUE = -224
LONGEST_ADVANCE_S = 1e7


class SimulatedHand:
    """What a person does between sweeps, as SCPI commands.

    `epoch` is the Unix time at which the simulated bench started first; its clock then advances
    with every simulated sweep and connection, not with real time.
    """

    def __init__(self, bench: SimulatedBench, version: str, epoch: float) -> None:
        self._bench = bench
        self._epoch = epoch
        self._operator = SimulatedOperator(bench, bench.description.operator)
        self._exchanges = 0
        self._forgotten = 0
        self._is_forgotten: bool | None = None
        """Of the exchange that is going on; None: none is."""
        self.engine = Engine(
            identity=Identity("Tareline", "Simulated hand", f"SIM-{bench.seed}", version),
            commands=[
                Command("CONNect:ITEM", self._connect_item, parameters=(Text(),)),
                Command("CONNect:THRough", lambda: self._connect(THROUGH)),
                Command("CONNect:NOTHing", lambda: self._connect(NOTHING)),
                Query("CONNect:STATe", lambda: Quoted(bench.connected)),
                Query("CONNect:FORGotten", lambda: self._forgotten),
                Query("CONNect:CATalog", lambda: tuple(map(Quoted, bench.description.items))),
                Command("OPERator:ITEM", self._ask_for_item, parameters=(Text(),)),
                Command("OPERator:THRough", lambda: self._operator.exchange(THROUGH)),
                Command("OPERator:TIGHten", self._operator.tighten),
                Query("OPERator:DOING", lambda: Quoted(self._operator.doing)),
                Query(
                    "OPERator:ENDS",
                    lambda: tuple(Quoted(end.value) for end in self._operator.ends),
                ),
                Query("CLOCk:TIME", lambda: self._epoch + bench.elapsed_s),
                Query("CLOCk:STARt", lambda: self._epoch),
                Command(
                    "CLOCk:ADVance",
                    self._advance,
                    parameters=(Number("S", minimum=0.0, maximum=LONGEST_ADVANCE_S),),
                ),
            ],
            reset=lambda: None,
            self_test=lambda: 0,
        )

    def _connect_item(self, item: str) -> None:
        if item not in self._bench.description.items:
            raise ScpiError(_ILLEGAL_VALUE, f"no item {item} on this bench")
        self._connect(item)

    def _connect(self, what: str) -> None:
        """An exchange begins with whatever is asked for first, and ends with an item or the
        through; one that is forgotten leaves all as it was."""
        if self._is_forgotten is None:
            self._exchanges += 1
            chance = self._bench.draws(STREAM_FORGOTTEN, self._exchanges).random()
            self._is_forgotten = bool(chance < self._bench.description.hand.forgotten_share)
        if not self._is_forgotten:
            self._bench.connect(what)
        if what == NOTHING:
            return
        # leads that are joined already are what was asked for
        is_wrong = what != THROUGH or self._bench.connected != THROUGH
        self._forgotten += self._is_forgotten and is_wrong
        self._is_forgotten = None

    def _ask_for_item(self, item: str) -> None:
        try:
            self._operator.exchange(item)
        except KeyError:
            raise ScpiError(_ILLEGAL_VALUE, f"no item {item} on this bench") from None

    def _advance(self, seconds: float) -> None:
        self._bench.elapsed_s += seconds
