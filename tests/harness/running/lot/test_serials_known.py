"""What is said of a serial number that nobody knows here."""

from harness.running.lot.serials_known import LotItems
from harness.station.items import read_workplace


def test_known_items_are_named_in_the_order_of_the_bench(workplace_folder):
    workplace = read_workplace(workplace_folder / "station.toml", workplace_folder / "items.toml")
    bench = ("Z-1", "A-2", "M-3", "B-4")
    items = LotItems(workplace, "jumper", bench)
    assert (
        items.wrong("Q") == "the simulated bench has no such item; known here: Z-1, A-2, M-3, B-4"
    )
    assert items.wrong("M-3") == ""
