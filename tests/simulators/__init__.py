"""Tests of the simulated rider, its truth and its faulty sensors."""
