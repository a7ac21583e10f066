"""Tests of the program and the simulators."""
