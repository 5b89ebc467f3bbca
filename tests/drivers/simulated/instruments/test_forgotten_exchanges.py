"""The simulated hand forgets exchanges as often as its table says, and all stays as it was."""

import pytest

ITEM = 'CONN:ITEM "PIG-0451"'
EXCHANGES = 300


def test_an_exchange_is_forgotten_as_a_whole(rig):
    forgetful = rig({"hand": {"forgotten_share": 1.0}})
    bench = forgetful.bench
    bench.connect("PIG-0451")
    made, time_s = bench.changes, bench.elapsed_s
    for message in ("CONN:NOTH", ITEM, "CONN:THR"):
        forgetful.ask("hand", message)
    assert (bench.connected, bench.changes, bench.elapsed_s) == ("PIG-0451", made, time_s)
    assert forgetful.ask("hand", "CONN:FORG?") == "2"


@pytest.mark.parametrize("share", [0.0, 0.2])
def test_exchanges_are_forgotten_as_often_as_is_stated(rig, share):
    """Within four standard deviations of the binomial distribution."""
    forgetful = rig({"hand": {"forgotten_share": share}})
    for _ in range(EXCHANGES):
        forgetful.ask("hand", "CONN:NOTH")
        forgetful.ask("hand", ITEM)
    found = float(forgetful.ask("hand", "CONN:FORG?"))
    assert abs(found - share * EXCHANGES) <= 4.0 * (share * (1.0 - share) * EXCHANGES) ** 0.5


def test_joined_leads_that_stay_joined_are_not_forgotten(rig):
    forgetful = rig({"hand": {"forgotten_share": 1.0}})
    forgetful.bench.connect("through")
    forgetful.ask("hand", "CONN:THR")
    assert forgetful.ask("hand", "CONN:FORG?") == "0"
