"""What is done at the bench, in what order, how often: one short function each."""

IN_ORDER_OF_USE = (
    "qualify",
    "spot-check",
    "overnight",
    "cable-lengths",
    "adapter-pairs",
    "gauge-study",
)
"""As `tareline run --help` lists them."""
