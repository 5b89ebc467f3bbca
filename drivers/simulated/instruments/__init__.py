"""The simulated instruments, declared as SCPI commands."""

__all__ = [
    "described_instruments",
]
