"""The statistics of change: settled or not, different or not, and steps that nobody marked."""

from livefit.change.correlated import StrokeMean, in_order, mean_of
from livefit.change.difference import (
    Change,
    Judged,
    Replacing,
    ThereAndBack,
    difference,
    there_and_back,
    together,
)
from livefit.change.settling import Drift, Settled, settled
from livefit.change.steps import Step, StepWatch

__all__ = [
    "Change",
    "Drift",
    "Judged",
    "Replacing",
    "Settled",
    "Step",
    "StepWatch",
    "StrokeMean",
    "ThereAndBack",
    "difference",
    "in_order",
    "mean_of",
    "settled",
    "there_and_back",
    "together",
]
