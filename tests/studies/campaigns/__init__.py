"""Campaigns on simulated benches over TCP: how often the truth lies inside the stated U."""
