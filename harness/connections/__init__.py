"""Who joins leads and items: a person, a switch, the simulated hand.

A run chooses one by its station (`harness.running.who_connects`) and asks it for
the through and the item.
"""

__all__ = [
    "exchange",
    "operator_exchange",
    "operator_prompts",
    "operator_terminal",
    "switched_lot",
    "typed_lines",
]
