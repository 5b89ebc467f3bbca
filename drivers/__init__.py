"""Instruments by role, over VISA, in the dialect each of them speaks.

What they hand over is a `Sweep` (`drivers.sweep`).
"""
