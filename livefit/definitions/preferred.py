"""The rows that a fitter looks at who chose none."""

from __future__ import annotations

from livefit.definitions.models import Definitions

PREFERRED = (
    (("knee_flexion", "bdc"),),
    (("knee_flexion", "maximum"), ("knee_flexion", "tdc")),
    (("hip_angle", "tdc"), ("hip_angle", "minimum")),
    (("ankle_angle", "bdc"),),
    (("trunk_inclination", "mean"),),
    (("knee_over_spindle", "forward"),),
    (("elbow_flexion", "mean"),),
)
"""Of alternatives, the first that is defined."""


def default_rows(definitions: Definitions) -> list[tuple[str, str]]:
    """The preferred (measure, event), as far as defined; where none is, the first there is."""
    defined = {(m.name, event) for m in definitions.measures for event in m.events}
    found = (next((c for c in choice if c in defined), None) for choice in PREFERRED)
    preferred = [chosen for chosen in found if chosen is not None]
    return preferred or [(m.name, m.events[0]) for m in definitions.measures if m.events][:1]
