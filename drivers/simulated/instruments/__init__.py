"""The simulated instruments, declared as SCPI commands."""
