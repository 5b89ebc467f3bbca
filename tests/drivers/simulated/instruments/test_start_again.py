"""A simulated bench that is started again: the same bench, its time goes on, chance is another."""

import asyncio

import numpy as np
import pytest

from drivers.simulated.described.bench_description import BenchDescription
from drivers.simulated.faults.fault_description import RandomFaults
from drivers.simulated.faults.fault_layer import FaultLayer
from drivers.simulated.instruments.described_instruments import instruments_of
from drivers.simulated.physics.simulated_bench import THROUGH, SimulatedBench

CHANGES = {
    "temperature": {"start": "18 °C", "ramp_per_hour": "1.5 °C"},
    "analyzer": {"drift": "0.02 dB"},
    "thermometer": {"noise": "0.3 K"},
}
FREQUENCY_HZ = np.linspace(1e9, 2e9, 11)


@pytest.fixture
def description(rig) -> BenchDescription:
    return rig(CHANGES, with_switch=True).description


def happenings(bench):
    """Everything that is drawn while a bench is used."""
    bench.route = (101,)
    bench.connect(THROUGH)
    bench.new_sweep()
    first = bench.path(FREQUENCY_HZ, 1e-13, 1e-13)[:, 1, 0].copy()
    bench.route = (102,)
    bench.connect("PIG-0451")
    second = bench.path(FREQUENCY_HZ, 1e-13, 1e-13)[:, 1, 0].copy()
    return np.concatenate([first, second, bench.noise((11,))])


def test_what_happens_differs_from_start_to_start_and_repeats_within_one(description):
    found = [happenings(SimulatedBench(description, start_number=n)) for n in (1, 2, 3)]
    again = [happenings(SimulatedBench(description, start_number=n)) for n in (1, 2, 3)]
    assert all(np.array_equal(one, other) for one, other in zip(found, again, strict=True))
    for one, other in ((0, 1), (0, 2), (1, 2)):
        assert np.all(found[one] != found[other])


def test_what_the_bench_is_does_not(description):
    """Drift, temperature and the instruments' own errors are those of the seed."""
    elapsed_s = np.linspace(0.0, 30_000.0, 7)

    def lasting(number):
        bench = SimulatedBench(description, start_number=number)
        engines = instruments_of(bench, "0.1.0", 0.0)
        seen: list[object] = [str(engine.identity) for engine in engines.values()]
        for bench.elapsed_s in elapsed_s:
            seen += [bench.temperature_c, bench.drift_db("analyzer"), bench.drift_db("generator")]
        return seen

    assert lasting(1) == lasting(2)


def ask_all(instrument, count=100):
    async def ask():
        for _ in range(count):
            await instrument.exchange(b"*IDN?", 1)

    asyncio.run(ask())


def test_random_faults_are_others(description):
    def drawn(number):
        bench = SimulatedBench(description, start_number=number)
        layer = FaultLayer(
            instruments_of(bench, "0.1.0", 0.0), bench.seed, None, start_number=number
        )
        layer.script((), RandomFaults(probability=0.2, kinds=("silence",)), "the bench")
        ask_all(layer.instruments["analyzer"])
        return layer.log

    assert drawn(1) == drawn(1)
    assert drawn(1) != drawn(2)
