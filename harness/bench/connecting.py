"""Connections changed: RF off before and until the next sweep; what cannot be believed, again."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

from drivers.errors import NotJoinedError
from harness.analysis.likeness.reads_like import Likeness
from harness.bench.connection_judge import UNLIKE, ConnectionJudge, Doubt
from harness.bench.sweeping import Sweeping
from harness.run_file import Kind
from harness.run_file.run import DOUBT, ZERO_ANEW

ATTEMPTS_TO_JOIN = 3
ATTEMPTS_AT_A_ZERO = 3
"""Makings of the joined leads until two agree, with each other or with the zero before."""
IS_SURE = "the operator says that it is as it should be"


def change_connection(sweeping: Sweeping, what: str, connect: Callable[[], None]) -> None:
    """Have a connection changed, with RF off before and until the next sweep."""
    sweeping.rf_off()
    sweeping.drain()
    sweeping.equipment.progress.doing(what)
    sweeping.patiently(connect)
    sweeping.record("connection", what)


def join_leads(
    sweeping: Sweeping,
    making: int,
    sweeps: int,
    what: str,
    what_again: str,
    *,
    again: bool,
    is_told_by_bench: bool = True,
) -> None:
    """Have the leads joined and sweep them, and again where they do not read like joined leads.

    A zero that moved, or is not where it ought to be, is joined again before anybody is told so:
    what is kept either agrees with the zero before, or with a second making. Where it does
    neither, or reads like the item, or is still not where it ought to be, the run gets no verdict;
    nor does it where the zero moved, unless `is_told_by_bench` is False and somebody else sees to
    that. `again`: they were joined before; `what` and `what_again` say what
    is being done.

    Raises:
        NotJoinedError: they are not joined after `ATTEMPTS_TO_JOIN`, or came apart in between.
    """
    rows = sweeping.rows()
    _join(sweeping, making, sweeps, what, what_again, again=again)
    judge = _judge_of(sweeping)
    if judge is None:
        return
    doubt = judge.of_through(sweeping.swept)
    for attempt in range(2, ATTEMPTS_AT_A_ZERO + 1):
        if doubt is None:
            break
        earlier = sweeping.swept
        _set_aside(sweeping, doubt, rows, sweeps)
        rows = sweeping.rows()
        if attempt == 2 and sweeping.equipment.is_sure is not None:
            _ask(sweeping, judge, doubt, "")
            sweeping.sweep_bands("normalization", making, sweeps)
        else:
            _join(sweeping, making, sweeps, what_again, what_again, again=True)
        doubt = judge.of_through(sweeping.swept)
        is_moved = doubt is not None and doubt.likeness is Likeness.MOVED
        is_off = doubt is not None and doubt.likeness in UNLIKE
        if doubt is not None and (is_moved or is_off) and judge.agree(earlier, sweeping.swept):
            if is_off or is_told_by_bench:
                _give_no_verdict(sweeping, doubt)
            doubt = None
    if told := judge.told_of_zero(sweeping.swept):
        sweeping.record("note", told)
    if doubt is None:
        judge.keep_through(sweeping.swept)
    else:
        _give_no_verdict(sweeping, doubt)


def sweep_insertion(
    sweeping: Sweeping, item: str, index: int, sweeps: int, connect: Callable[[], None]
) -> None:
    """Sweep an item that was just connected, and once more where it can hardly be in.

    Asked about once; where nobody is there to be asked it is connected anew instead. What was
    doubted is kept as suspect. Where it still is afterwards the run gets no verdict.
    """
    rows = sweeping.rows("insertions")
    sweeping.sweep_bands("insertions", index, sweeps)
    judge = _judge_of(sweeping)
    if judge is None:
        return
    doubt = judge.of_item(item, sweeping.swept)
    if doubt is not None:
        _set_aside(sweeping, doubt, rows, sweeps)
        if sweeping.equipment.is_sure is not None:
            _ask(sweeping, judge, doubt, item)
        else:
            change_connection(sweeping, f"connecting {item} anew", connect)
        sweeping.sweep_bands("insertions", index, sweeps)
        doubt = judge.of_item(item, sweeping.swept)
    if doubt is None:
        judge.keep_item(item, sweeping.swept)
    else:
        _give_no_verdict(sweeping, doubt)


def _join(
    sweeping: Sweeping, making: int, sweeps: int, what: str, what_again: str, *, again: bool
) -> None:
    """Have the leads joined and sweep them, and once more where they turn out not to be joined."""
    equipment = sweeping.equipment
    for attempt in range(1, ATTEMPTS_TO_JOIN + 1):
        join = partial(equipment.exchange.connect_through, again=again or attempt > 1)
        change_connection(sweeping, what if attempt == 1 else what_again, join)
        try:
            sweeping.sweep_bands("normalization", making, sweeps)
            return
        except NotJoinedError as error:
            sweeping.record("note", error.what)
            if attempt == ATTEMPTS_TO_JOIN or not error.is_first_sweep:
                raise
            equipment.progress.say(f"! {error.what}: join the leads again")


def _judge_of(sweeping: Sweeping) -> ConnectionJudge | None:
    return sweeping.equipment.judge if sweeping.equipment.has_readings else None


def _set_aside(
    sweeping: Sweeping, doubt: Doubt, rows: Mapping[tuple[str, Kind], int], sweeps: int
) -> None:
    """Keep what was swept from these rows on as suspect, and say why."""
    sweeping.mark_suspect(rows)
    sweeping.equipment.progress.sweeps_again(sweeps * len(sweeping.bands))
    sweeping.record("note", f"set aside: {doubt.text}")
    if sweeping.equipment.is_sure is None:
        sweeping.equipment.progress.say(f"! {doubt.text} It is connected anew.")


def _ask(sweeping: Sweeping, judge: ConnectionJudge, doubt: Doubt, item: str) -> None:
    """Have somebody connect it anew, or say that it is as it should be."""
    answers: list[bool] = []

    def ask() -> None:
        if sweeping.equipment.is_sure is not None:
            answers.append(sweeping.equipment.is_sure(doubt.text, item))

    change_connection(sweeping, f"asking about {item or 'the joined leads'}", ask)
    if answers[-1]:
        judge.believe(doubt, item)
        kind = ZERO_ANEW if doubt.likeness is Likeness.UNLIKE_EARLIER else "note"
        sweeping.record(kind, f"{IS_SURE}: {doubt.text}")


def _give_no_verdict(sweeping: Sweeping, doubt: Doubt) -> None:
    sweeping.record(DOUBT, doubt.text)
    sweeping.equipment.progress.say(f"! Still so, and there will be no verdict: {doubt.text}")
