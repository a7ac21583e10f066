"""All the words of guided touching, in one place."""

from __future__ import annotations

WINDOW_TITLE = "livefit: touching the bicycle"
SAFETY = "Stop the cranks before you touch the bicycle. Nobody sits on it, nobody turns the wheels."

SIGN = {
    "silent": ("bad", "No markers come"),
    "unseen": ("bad", "Pointer not seen"),
    "lift": ("note", "Lift the tip"),
    "away": ("note", "Go to the point"),
    "set down": ("care", "Hold still"),
    "told": ("done", "Taken: lift the tip"),
    "slipped": ("bad", "Slipped: touch again"),
    "turning": ("care", "Tilt and turn"),
    "through": ("done", "All points done"),
}
"""State of the pointer -> how it is coloured, and what stands there."""
SIGN_DETAIL = {
    "silent": "Start the capture system; the touches so far are kept.",
    "unseen": "Turn its markers to the cameras.",
}

CALIBRATE = "Put the tip into a small hollow and tilt the pointer to all sides, 30° and more."
CALIBRATING = "{left:.0f} s still to go"
CALIBRATED = "Tip found, within {se:.2f} mm. {residual:.2f} mm residual."
OLD_CALIBRATION = (
    "The pointer was calibrated on {day}, {days} days ago: older than {limit:.0f} days. "
    "Check it on two points of known distance, or calibrate it anew (C)."
)
STRANGE_LABELS = (
    "expected the pointer's markers {wanted} in the stream, found no {missing} among {there}. Name "
    "them so in the capture system, or in pointers/{pointer}.toml of your own"
)

COUNT = "{now} of {all}"
SPREAD = "The last touch was steady within {spread:.1f} mm."

SHEET_TITLE = "Dimensions"
SHEET_PART = ", {first} to {last} of {all}"
SHEET_CHANGE = "Change"
FINDINGS_TITLE = "Looks wrong: press A to touch it again"
NO_FINDINGS = "Nothing looks wrong."
NOT_MEASURED = "Not enough was touched: {error}"
TOO_FEW = "Too few points for dimensions yet. Go on with: livefit touch --go-on {path}"
SAVED = "Saved: {path}"
NOT_SAVED = "Not saved: {error}"
AGAIN_FOUND = (
    "Found again: residual {residual:.1f} mm, moved by {shift:.0f} mm, turned by {turn:.1f}°."
)
AGAIN_REFUSED = "Not found again: {error}"
PLUS_MINUS = "±"
LEVEL = "The level is the line of the axles, as on flat ground; behind, ahead, up are seen from it."
HALF_WIDTH = "± is the range that holds the truth 19 times in 20."

ACTIONS: tuple[tuple[str, str, str, tuple[str, ...]], ...] = (
    ("R", "retake", "retake", ("Backspace",)),
    ("S", "leave out", "skip", ()),
    ("B", "back", "back", ("Left",)),
    ("N", "next", "next", ("Right",)),
    ("A", "touch what looks wrong", "again", ()),
    ("C", "calibrate", "calibrate", ()),
    ("T", "theme", "theme", ()),
    ("F", "full screen", "full_screen", ()),
    ("Q", "quit", "quit", ("Ctrl+Q",)),
)
"""Key, word, what it does, and other keys that do the same."""

AGREES = "{part}: noted {noted}, measured {measured} {half}: they agree."
DISAGREES = "{part}: noted {noted}, measured {measured} {half}: they do not agree. Measure again."
UNNOTED = "{part}: nothing noted, measured {measured} {half}."
