"""Instruments by role, over VISA, in the dialect each of them speaks."""
