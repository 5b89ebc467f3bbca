"""Who joins leads and items: a person, a switch, the simulated hand."""

__all__ = [
    "exchange",
    "operator_exchange",
    "operator_prompts",
    "operator_terminal",
    "switched_lot",
    "typed_lines",
]
