"""Lots of items: distribution, control charts, capability, sampling, gauge studies."""
