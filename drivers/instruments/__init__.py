"""The roles: what an analyzer, a generator, a meter, a switch has to be able to do.

A run opens the sources of sweeps; `dialect_trial` goes through one step by step.
"""

__all__ = [
    "dialect_trial",
    "earlier_readings",
    "hand",
    "network_analyzer",
    "power_meter",
    "reading_step",
    "signal_generator",
    "signal_switch",
    "spectrum_analyzer",
    "stepped_source",
    "thermometer",
    "tracking_source",
]
