"""Many drawn items diagnosed, and how often the diagnosis is right."""

from collections import Counter
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

from harness.analysis.diagnosis.finding import Fault
from tests.studies.diagnosis.assemblies import KINDS, SOUND, Drawn, draw
from tests.studies.diagnosis.measured import NARROW, WIDE, examine

WIDE_KINDS = (*[SOUND] * 4, *KINDS, KINDS[0])
NARROW_KINDS = (*[SOUND] * 4, *KINDS[:4], KINDS[0], KINDS[2])
"""Ten each, four of them sound. A notch between narrow bands cannot be seen, so none is drawn."""
RIGHT = {
    "cable": Fault.CABLE,
    "length": Fault.LENGTH,
    "connector": Fault.CONNECTOR,
    "ripple": Fault.RIPPLE,
    "notch": Fault.NOTCH,
}
NOTHING, UNDECIDED = "sound", "no diagnosis"
NAMES = (*(fault.value for fault in Fault), UNDECIDED, NOTHING)


@dataclass(frozen=True)
class Outcome:
    """What was said of one item."""

    seed: int
    drawn: Drawn
    set_up: str
    said: str
    probability: float

    @property
    def is_right(self) -> bool:
        return self.said == right_name(self.drawn.fault, has_phase="phase" not in self.set_up)


@dataclass
class Tally:
    """Outcomes by what is true and what was said."""

    outcomes: list[Outcome] = field(default_factory=list)

    def counts(self, fault: str) -> Counter[str]:
        return Counter(o.said for o in self.outcomes if o.drawn.fault == fault)

    def share_named_rightly(self) -> float:
        faulty = [o for o in self.outcomes if o.drawn.fault != SOUND]
        return sum(o.is_right for o in faulty) / len(faulty) if faulty else float("nan")

    def share_accused(self) -> float:
        """Of the sound items; not a number where there are none."""
        sound = self.counts(SOUND)
        return 1.0 - sound[NOTHING] / sound.total() if sound else float("nan")

    def table(self) -> str:
        """Confusion table in Markdown."""
        lines = [
            f"| drawn \\ said | {' | '.join(NAMES)} | right |",
            f"|---|{'---|' * (len(NAMES) + 1)}",
        ]
        for fault in (*KINDS, SOUND):
            counts = self.counts(fault)
            if counts:
                right = sum(o.is_right for o in self.outcomes if o.drawn.fault == fault)
                cells = " | ".join(str(counts[name] or "") for name in NAMES)
                lines.append(f"| {fault} | {cells} | {right} of {counts.total()} |")
        lines.append("")
        lines.append(
            f"Faults named rightly: {self.share_named_rightly():.1%}; "
            f"sound items accused: {self.share_accused():.1%}."
        )
        return "\n".join(lines)


def right_name(fault: str, *, has_phase: bool) -> str:
    """Without phase a wrong length is a cable that loses more, and no more can be said."""
    if fault == SOUND:
        return NOTHING
    if fault == "length" and not has_phase:
        return Fault.CABLE.value
    return RIGHT[fault].value


def one(seed: int, *, with_phase: bool = True) -> Outcome:
    """Even seeds are swept from 0.1 to 6 GHz, odd ones in the starting station's narrow bands."""
    is_wide = seed % 2 == 0
    kinds = WIDE_KINDS if is_wide else NARROW_KINDS
    drawn = draw(seed, kinds[seed // 2 % len(kinds)], is_wide=is_wide)
    found = examine(drawn, seed, WIDE if is_wide else NARROW, with_phase=with_phase)
    diagnosis = found.diagnosis
    said = NOTHING
    if diagnosis.is_accused:
        said = UNDECIDED if diagnosis.named is None else diagnosis.named.fault.value
    set_up = ("wide" if is_wide else "narrow") + ("" if with_phase else ", no phase")
    return Outcome(seed, drawn, set_up, said, diagnosis.suspicions[0].probability)


def one_without_phase(seed: int) -> Outcome:
    """As with a power meter or a spectrum analyzer."""
    return one(seed, with_phase=False)


def study(
    seeds: Iterable[int], processes: int = 1, examined: Callable[[int], Outcome] = one
) -> Tally:
    """All seeds, in order."""
    if processes == 1:
        return Tally([examined(seed) for seed in seeds])
    with ProcessPoolExecutor(processes) as pool:
        return Tally(list(pool.map(examined, seeds, chunksize=5)))
