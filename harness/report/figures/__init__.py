"""Drawings, as SVG."""
