"""Simulated riders whose true angles are known, and the faults of the sensors that watch them.

A rider is a closed chain of rigid segments from the crank to the hand, moved by a pure function
of time. Nothing here shares a formula with the program's numerical kernel, so that the truth is
a second, independent computation.
"""

from simulators.rider import RiderSimulation
from simulators.schedule import Change, Ride
from simulators.sensor import observe, stream_info
from simulators.settings import Bicycle, Body, Sensor, Style, Variation

__all__ = [
    "Bicycle",
    "Body",
    "Change",
    "Ride",
    "RiderSimulation",
    "Sensor",
    "Style",
    "Variation",
    "observe",
    "stream_info",
]
