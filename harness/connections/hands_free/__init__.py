"""Connections watched while they are made, with RF on by itself for short looks."""
