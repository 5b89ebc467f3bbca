"""Overlapped operations and their synchronization: *OPC, *OPC?, *WAI, ABORt.

IEEE 488.2 chapter 12 and 10.18, 10.19, 10.39; operation status bit 3 SWEeping, SCPI-99
volume 1, 9.3, from memory.
"""

import asyncio

import pytest

from drivers.simulated.scpi import Command, Engine, Identity, Query, ScpiError

LONG_S = 3600.0
SHORT_S = 0.01


def test_without_duration_an_operation_is_done_at_once(specimen) -> None:
    assert specimen.ask("INIT;*OPC?") == b"1\n"
    assert specimen.finished == 1
    assert not specimen.engine.pending
    assert specimen.ask("STAT:OPER:COND?;EVEN?") == b"0;8\n"  # it was there, if only just


def test_opc_query_waits(specimen) -> None:
    specimen.sweep_s = SHORT_S
    assert specimen.ask("INIT;:STAT:OPER:COND?") == b"8\n"
    assert specimen.finished == 0
    assert specimen.ask("INIT;*OPC?;:STAT:OPER:COND?") == b"1;0\n"
    assert specimen.finished == 2


def test_wai_holds_what_follows(specimen) -> None:
    specimen.sweep_s = SHORT_S
    assert specimen.ask("INIT;:STAT:OPER:COND?;*WAI;COND?") == b"8;0\n"
    assert specimen.finished == 1


def test_opc_sets_its_bit_at_the_end(specimen) -> None:
    specimen.sweep_s = SHORT_S
    assert specimen.ask("*CLS;INIT;*OPC;*ESR?;*WAI;*ESR?") == b"0;1\n"
    assert specimen.ask("*OPC;*ESR?;*ESR?") == b"1;0\n"  # nothing pending: at once


@pytest.mark.parametrize("cancel", ["*CLS", "*RST"])
def test_opc_is_cancelled(specimen, cancel: str) -> None:
    # IEEE 488.2 10.3 and 10.32, from memory: both force the operation complete idle state
    specimen.sweep_s = SHORT_S
    assert specimen.ask(f"*CLS;INIT;*OPC;{cancel};*WAI;*ESR?") == b"0\n"


@pytest.mark.parametrize("end", ["ABOR", "*RST"])
def test_abort_ends_the_wait_without_a_result(specimen, end: str) -> None:
    async def both() -> tuple[bytes, bytes, bool]:
        held = asyncio.ensure_future(specimen.engine.handle(b"INIT;*OPC?"))
        while not specimen.engine.pending:
            await asyncio.sleep(0)
        other = await specimen.engine.handle(b"STAT:OPER:COND?")
        was_held = not held.done()
        await specimen.engine.handle(end.encode())
        return await held, other, was_held

    specimen.sweep_s = LONG_S
    held, other, was_held = specimen.runner.run(both())
    assert held == b"1\n"
    assert was_held
    assert other == b"8\n"  # served while the first was held
    assert specimen.finished == 0
    assert specimen.ask("STAT:OPER:COND?") == b"0\n"


def test_the_last_of_several_counts(specimen) -> None:
    async def run() -> list[str]:
        order: list[str] = []
        engine = specimen.engine
        engine.begin(2 * SHORT_S, lambda: order.append("long"), operation_bit=4)
        engine.begin(SHORT_S, lambda: order.append("short"), operation_bit=4)
        await engine.idle()
        order.append("idle")
        return order

    assert specimen.runner.run(run()) == ["short", "long", "idle"]
    assert specimen.ask("STAT:OPER:COND?;EVEN?") == b"0;16\n"


def test_an_aborted_operation_never_completes(specimen) -> None:
    specimen.sweep_s = SHORT_S
    assert specimen.ask("INIT;:ABOR;*OPC?") == b"1\n"
    specimen.sweep_s = 2 * SHORT_S
    assert specimen.ask("INIT;*OPC?") == b"1\n"  # by now the first would be over
    assert specimen.finished == 1


def test_an_operation_may_start_the_next(specimen) -> None:
    def again() -> None:
        specimen.finish()
        if specimen.finished < 3:
            specimen.engine.begin(0.0, again)

    specimen.engine.begin(0.0, again)
    assert specimen.finished == 3
    assert not specimen.engine.pending


def test_failures_at_the_end_reach_the_queue(specimen, caplog) -> None:
    def refuse() -> None:
        raise ScpiError(-240)

    specimen.engine.begin(0.0, refuse)
    specimen.engine.begin(0.0, lambda: 1 / 0)
    assert specimen.errors() == [-240, -300]
    assert "ZeroDivisionError" in caplog.text


@pytest.mark.parametrize("duration_s", [-1.0, float("nan")])
def test_impossible_durations(specimen, duration_s: float) -> None:
    with pytest.raises(ValueError, match="cannot last"):
        specimen.engine.begin(duration_s)
    assert not specimen.engine.pending


def test_a_coroutine_function_holds_its_message() -> None:
    async def read() -> int:
        engine.begin(SHORT_S)
        await engine.idle()
        return 5

    engine = Engine(Identity("Tareline", "Simulated meter"), [Query("READ", read)])
    assert asyncio.run(engine.handle(b"READ?;*TST?\n")) == b"5;0\n"


def test_a_link_that_breaks_is_passed_on() -> None:
    def cut() -> None:
        raise ConnectionAbortedError("cable pulled")

    engine = Engine(Identity("Tareline", "Simulated meter"), [Command("CUT", cut)])
    with pytest.raises(ConnectionAbortedError):
        asyncio.run(engine.handle(b"CUT"))


@pytest.mark.parametrize("field", ["", "a,b", "a;b", "a\nb", "caf\xe9"])
def test_identity_keeps_to_its_fields(field: str) -> None:
    with pytest.raises(ValueError, match="identity: model"):
        Identity("Tareline", field)


def test_declarations_are_checked() -> None:
    with pytest.raises(ValueError, match="declared twice"):
        Engine(Identity("Tareline", "X"), [Query("SYSTem:ERRor", lambda: 0)])
    with pytest.raises(ValueError, match="optional"):
        Command("A", print, optional=1)
    with pytest.raises(ValueError, match="repeated"):
        Command("A", print, repeat_last=True)
