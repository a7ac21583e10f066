"""Measurements of accuracy, latency and cost; run by hand, see each module."""
