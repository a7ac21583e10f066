"""What the next change of the bicycle would do to this rider's numbers: estimates, never orders.

The rider's mean pose is a closed chain from the pedals over the legs to the hips, and over trunk
and arms to the bar. A change moves an end of it, the segments keep their lengths, and how a rider
gives way is described by a few numbers with their spread (`Response`), from published riders until
this rider's own earlier changes say better (`learned`).
"""

from livefit.predict.changes import PARTS, ChangeError
from livefit.predict.into_bands import Limit, Plan, Step, into_bands
from livefit.predict.learning import Observed, Seen, learned, observed
from livefit.predict.prediction import Predicted, Prediction, predict, predict_from
from livefit.predict.response import PUBLISHED, Belief, Response
from livefit.predict.rider import Rider, RiderError
from livefit.predict.searching import Target

__all__ = [
    "PARTS",
    "PUBLISHED",
    "Belief",
    "ChangeError",
    "Limit",
    "Observed",
    "Plan",
    "Predicted",
    "Prediction",
    "Response",
    "Rider",
    "RiderError",
    "Seen",
    "Step",
    "Target",
    "into_bands",
    "learned",
    "observed",
    "predict",
    "predict_from",
]
