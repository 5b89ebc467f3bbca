"""What goes wrong at a bench, and what must be said of it. The person persists in every lie."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

SAME = "nothing is done"
ALWAYS = 0
"""In place of the number of a prompt: at all of its kind that are not named."""
ITEM, BAD_CONTACT = "PIG-0451", "PIG-0490"
BAND = "telemetry-868"
START = "on=INITiate:IMMediate"
READ = "on=TRACe:DATA?"
WAS_SEEN = "very same numbers|sweeps that cannot be true were kept"
LEADS_STATED = 'made_of = ["2 x RG-142 0.5 m", "4 x SMA"]\npads = "20 dB"\nloss_limits = "0.1 dB"\n'
LOT = ("--kind", "pigtail-300", "--results", "lot")


@dataclass(frozen=True)
class Scenario:
    """One wrong reading, from the lie to the words."""

    name: str
    says: str
    """Pattern of what must be shown; blanks stand for any white space."""
    lies: Mapping[tuple[str, int], str] = field(default_factory=dict)
    """What is between the leads instead, by what was asked for and the number of the prompt."""
    procedure: str = "qualify"
    options: Sequence[str] = ("--item", ITEM, "--insertions", "3", "--sweeps", "2")
    typed: Sequence[str] = ()
    """Lines at prompts for a serial number."""
    ahead: str = ""
    """Keys that are sent at the first sweep, before anything is asked."""
    faults: Sequence[Sequence[str]] = ()
    """Of the analyzer's wire, as the hand arms them; keys of a fault behind its kind."""
    station: Sequence[tuple[str, str]] = ()
    items: Sequence[tuple[str, str]] = ()
    dialect: Sequence[tuple[str, str]] = ()
    """Replacements in the files of the station, and in the analyzer's dialect."""
    history: int = 0
    """Sittings before, one a day, with runs that the station pools with."""
    history_off_db: float = 0.0
    """What the leads of those lost less than those of today."""
    good: frozenset[str] = frozenset()
    """Serial numbers of a lot that may pass: nothing was wrong with these."""


def _lot(*serials: str) -> tuple[str, ...]:
    return (*serials, "/stop")


SCENARIOS = (
    Scenario(
        "item forgotten, leads left joined",
        r"reads like the joined leads",
        {("item", ALWAYS): "through"},
    ),
    Scenario(
        "item forgotten at the second insertion only",
        r"reads like the joined leads",
        {("item", 2): "through", ("item", 3): SAME},
    ),
    Scenario(
        "Enter at every prompt, nothing ever done",
        r"not joined",
        {("item", ALWAYS): SAME, ("through", ALWAYS): SAME},
    ),
    Scenario(
        "leads joined, then Enter at every prompt, five of them ahead",
        r"typed before (?:it was asked|the prompt)",
        {("item", ALWAYS): SAME},
        ahead="\r\r\r\r\r",
    ),
    Scenario(
        "normalized with the item in place",
        r"zero .*item|item .*zero|joined leads",
        {("through", 1): ITEM, ("through", ALWAYS): ITEM},
    ),
    Scenario(
        "normalized with the item in place, then a bad contact is measured",
        r"zero|joined leads",
        {("through", ALWAYS): ITEM, ("item", ALWAYS): BAD_CONTACT},
    ),
    Scenario(
        "normalized with the item in place, which six sittings before tell",
        r"Is an item still in.* than in the 6 sittings before",
        {("through", ALWAYS): ITEM, ("item", ALWAYS): BAD_CONTACT},
        history=6,
    ),
    Scenario(
        "longer leads than at the six sittings before",
        r"are these other leads.* than in the 6 sittings before",
        history=6, history_off_db=1.0,
    ),
    Scenario(
        "a lot: normalized with an item in place, which six sittings before tell",
        r"Is an item still in.* than in the 6 sittings before",
        {("through", ALWAYS): "PIG-0701"},
        procedure="spot-check", options=LOT,
        typed=_lot("PIG-0704"),
        history=6,
    ),
    Scenario(
        "normalized with the item in place, the leads' loss stated",
        r"Is an item still in.* than \[leads\] of the station states",
        {("through", ALWAYS): ITEM},
        station=(("[through]", f"{LEADS_STATED}\n[through]"),),
    ),
    Scenario(
        "normalized with another item, which is then taken away for the check",
        r"zero",
        {("through", 1): "PIG-0701"},
    ),
    Scenario(
        "Enter at the zero check, the item still in",
        r"Is the item still in\?",
        {("through", 2): SAME, ("through", 3): SAME, ("through", 4): SAME},
    ),
    Scenario(
        "Enter at the zero check with nothing between the leads",
        r"not joined",
        {("through", n): "nothing" for n in (2, 3, 4)},
    ),
    Scenario(
        "far end left open",
        r"open|nothing comes through|no signal",
        {("item", ALWAYS): "nothing"},
    ),
    Scenario(
        "not undone between insertions",
        r"same (?:connection|making)",
        {("item", 1): ITEM, ("item", ALWAYS): SAME},
    ),
    Scenario(
        "an item of another kind, which loses less",
        r"loses less|not .* what it is made of|other item",
        {("item", ALWAYS): "JMP-0107"},
    ),
    Scenario(
        "an item of another kind, which loses more",
        r"another item",
        {("item", ALWAYS): "FDR-0012"},
    ),
    Scenario(
        "three insertions of three different items",
        r"other item|differ|fail",
        {("item", 2): "JMP-0107", ("item", 3): "FDR-0012"},
    ),
    Scenario(
        "trigger ignored from the second sweep on",
        WAS_SEEN,
        faults=(("trigger-ignored", START, "nth=2", "count=0"),),
    ),
    Scenario(
        "trigger ignored in mid-run, while the item is swept",
        WAS_SEEN,
        faults=(("trigger-ignored", START, "nth=6", "count=0"),),
    ),
    Scenario(
        "trigger ignored, averages of four",
        WAS_SEEN,
        faults=(("trigger-ignored", START, "nth=3", "count=0"),),
        station=(('if_bandwidth = "1 kHz"', 'if_bandwidth = "1 kHz"\naverages = 4'),),
    ),
    Scenario(
        "half of every trace old",
        WAS_SEEN,
        faults=(("half-old-trace", START, "nth=2", "count=0"),),
    ),
    Scenario(
        "half of every trace old while the item is swept",
        WAS_SEEN,
        faults=(("half-old-trace", START, "nth=6", "count=0"),),
    ),
    Scenario(
        "S11 in place of S21, always",
        f"{WAS_SEEN}|same|another trace",
        faults=(("trace-for-another", READ, "count=0"),),
    ),
    Scenario(
        "S11 in place of S21, from the item on",
        f"{WAS_SEEN}|same|another trace",
        faults=(("trace-for-another", READ, "nth=6", "count=0"),),
    ),
    Scenario(
        "the answer before, always",
        f"{WAS_SEEN}|before|answer",
        faults=(("answer-before", READ, "nth=2", "count=0"),),
    ),
    Scenario(
        "a sweep that begins late",
        WAS_SEEN,
        faults=(("late-start", START, "nth=2", "count=0", "interval=0.3 s"),),
    ),
    Scenario(
        "a dialect whose query has no trace in it",
        r"\{trace\}|trace",
        dialect=(('"TRACe:DATA? {trace}"', '"TRACe:DATA? S21"'),),
    ),
    Scenario(
        "another client sets the power 20 dB lower after normalizing",
        f"{WAS_SEEN}|set|power|changed",
        faults=(("second-client", READ, "nth=6", "says=SOURce:POWer -30 DBM"),),
    ),
    Scenario(
        "another client sets other frequencies in mid-run",
        f"{WAS_SEEN}|set|frequenc|changed",
        faults=(("second-client", READ, "nth=6", "says=SENSe:FREQuency:STOP 900 MHZ"),),
    ),
    Scenario(
        "the source trips and stays off",
        r"RF|power|switched",
        faults=(("power-trip", START, "nth=6", "count=0"),),
    ),
    Scenario(
        "the instrument starts anew at every sweep",
        r"settings|fresh|again|power-on",
        faults=(("restart", START, "nth=6", "count=0"),),
    ),
    Scenario(
        "not-a-number among the points, always",
        r"not (?:a )?number|no number",
        faults=(("not-a-number", READ, "nth=3", "count=0"),),
    ),
    Scenario(
        "bytes of the numbers reversed from the item on",
        f"{WAS_SEEN}|no reading .*data format",
        faults=(("wrong-byte-order", READ, "nth=6", "count=0"),),
    ),
    Scenario(
        "a lot: leads left joined for an item",
        r"reads like the joined leads",
        {("item", 2): "through", ("item", 3): SAME, ("item", 4): SAME, ("item", 5): SAME},
        procedure="spot-check", options=LOT,
        typed=_lot("PIG-0701", "PIG-0702"),
        good=frozenset({"PIG-0701"}),
    ),
    Scenario(
        "a lot: the item before under the new serial",
        r"PIG-0701|item before|same connection",
        {("item", 2): SAME, ("item", 3): SAME, ("item", 4): SAME},
        procedure="spot-check", options=LOT,
        typed=_lot("PIG-0701", "PIG-0702"),
        good=frozenset({"PIG-0701"}),
    ),
    Scenario(
        "a lot: a failed item not connected once more",
        r"same connection",
        {("item", 2): SAME, ("item", 3): SAME, ("item", 4): SAME},
        procedure="spot-check", options=LOT,
        typed=_lot("PIG-0704"),
    ),
    Scenario(
        "a lot: an Enter ahead behind a serial number",
        r"Enter at once after a line is dropped",
        {("item", ALWAYS): SAME},
        procedure="spot-check", options=LOT,
        typed=("PIG-0702\n", "/stop"),
    ),
    Scenario(
        "a lot: item still in at the last check of the zero",
        r"Is the item still in\?",
        {("through", n): SAME for n in (2, 3, 4, 5)},
        procedure="spot-check", options=LOT,
        typed=_lot("PIG-0701", "PIG-0702"),
    ),
    Scenario(
        "a lot: normalized with an item in place",
        r"zero|joined leads",
        {("through", ALWAYS): "PIG-0701"},
        procedure="spot-check", options=LOT,
        typed=_lot("PIG-0704"),
    ),
    Scenario(
        "a lot: the same serial number twice, with another item",
        r"already|done",
        {("item", 2): "PIG-0704"},
        procedure="spot-check", options=LOT,
        typed=_lot("PIG-0701", "PIG-0701"),
        good=frozenset({"PIG-0701"}),
    ),
)  # fmt: skip
