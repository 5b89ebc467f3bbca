"""Faults on the wire, armed on request."""

__all__ = [
    "fault_commands",
    "fault_description",
    "fault_layer",
]
