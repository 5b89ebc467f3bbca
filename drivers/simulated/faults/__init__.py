"""Faults on the wire, armed on request."""
