"""Description, labels, unit and upward axis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livefit.checking.findings import Sheet
from livefit.checking.heard import Heard, StreamHeard
from livefit.definitions import (
    DefinitionError,
    Definitions,
    MarkerSet,
    canonical_labels,
    match_marker_set,
)
from livefit.frames import Channel, FloatArray, Up

CHANNEL_UNITS = {"crank_angle": "deg", "cadence": "rpm", "workload": "W"}
"""Channels that have a meaning, and the only unit each may have."""

LATE_S = 2.0
"""A description that comes once a second is there after 1 s."""

ADULT_MM = {
    ("GT", "LE"): 425.0, ("LE", "LM"): 415.0, ("CA", "VM"): 190.0, ("AC", "GT"): 500.0,
    ("AC", "EL"): 320.0, ("EL", "US"): 255.0,
}  # fmt: skip
"""Between markers of an adult of 1.73 m: shares of the stature after Drillis R, Contini R (1966)
Body Segment Parameters, Tech. Rep. 1166.03, New York University; foot and trunk from memory."""
SMALLEST, LARGEST = 0.6, 1.5
"""Times an adult's: a child of 1.1 m, and beyond the tallest rider."""
UNITS = {
    1000.0: "metres", 100.0: "decimetres", 10.0: "centimetres", 25.4: "inches",
    0.001: "millimetres that were described as metres",
}  # fmt: skip
"""By the factor that would make them millimetres."""

CLEARLY = 1.5
"""Times farther that the hips are above the feet than beside them, on a bicycle."""


@dataclass(frozen=True)
class Markers:
    """The markers that are known, corrected for a wrong unit or upward axis.

    Attributes
    ----------
    names
        Canonical name of each of the stream's markers, None for one that is not used.
    columns
        Canonical name to column.
    positions
        (n, m, 3) mm; a position given wrongly as zeros, or held, is NaN.
    up
        The capture axis that really points up.
    """

    names: tuple[str | None, ...]
    columns: Mapping[str, int]
    positions: FloatArray
    up: Up

    def of(self, name: str) -> FloatArray:
        """(n, 3) mm: a marker by its canonical name."""
        return self.positions[:, self.columns[name]]

    def sides(self) -> list[str]:
        """The sides that have markers."""
        return [side for side in "LR" if any(name.startswith(f"{side}_") for name in self.columns)]


def judge_description(heard: Heard, sheet: Sheet) -> None:
    """Judge whether the stream was described as it must be."""
    wrong = [reason for reason in heard.reasons if reason.startswith("message 'description'")]
    streams = len(heard.streams)
    sheet.look(
        "description",
        f"{streams} came" if heard.live else "from the file",
        "description_incomplete",
        "restart",
    )
    if wrong:
        sheet.find(
            "description_incomplete",
            "fault",
            f"A description came that does not follow the protocol: {wrong[-1]}.",
            "Send every field of the topic 'description' as the protocol has it.",
        )
    if heard.undescribed and not streams and not wrong:
        sheet.find(
            "description_incomplete",
            "fault",
            f"{heard.undescribed} messages with frames came, but no description of their stream.",
            "Send the topic 'description' before the first frame and to each new listener, or "
            "once a second.",
            messages=heard.undescribed,
        )
    elif heard.described_after_s > LATE_S:
        sheet.find(
            "description_incomplete",
            "warning",
            f"The description came {heard.described_after_s:.1f} s after the first frames that "
            "could be heard; those are lost.",
            "Send it to each new listener, or once a second.",
            after_s=heard.described_after_s,
        )


def judge_channels(channels: Sequence[Channel], sheet: Sheet) -> None:
    """Judge the units of the extra signals."""
    for channel in channels:
        unit = CHANNEL_UNITS.get(channel.name)
        if unit is not None and channel.unit != unit:
            sheet.find(
                "description_incomplete",
                "fault" if channel.name == "crank_angle" else "warning",
                f"The channel {channel.name} must be in {unit}; it is described in "
                f"{channel.unit or 'nothing'}.",
                f"Send it in {unit}, or give it a name of your own.",
                subject=channel.name,
            )


def known_markers(
    stream: StreamHeard, positions: FloatArray, known: Definitions, sheet: Sheet
) -> Markers | None:
    """Find out which marker is which in positions (n, m, 3); None if that cannot be."""
    labels = stream.info.labels
    try:
        chosen = (
            known.marker_set(stream.marker_set)
            if stream.marker_set
            else match_marker_set(labels, known.marker_sets)
        )
        names = canonical_labels(labels, chosen)
    except DefinitionError as error:
        sheet.look("labels", f"{len(labels)}, none known", "labels_unknown")
        sheet.find("labels_unknown", "fault", f"{error}", "Use the labels of a marker set.")
        return None
    columns = {name: k for k, name in enumerate(names) if name is not None}
    unknown = [label for label, name in zip(labels, names, strict=True) if name is None]
    _labels(stream, chosen, columns, unknown, sheet)
    return Markers(names, columns, positions, stream.info.up)


def _labels(
    stream: StreamHeard,
    chosen: MarkerSet,
    columns: Mapping[str, int],
    unknown: list[str],
    sheet: Sheet,
) -> None:
    sheet.look(
        "labels", f"{len(columns)} of the marker set {chosen.name}, {len(unknown)} others",
        "labels_unknown",
    )  # fmt: skip
    sides = {"left": "L", "right": "R"}.get(stream.side or "", "LR")
    absent = [n for n in chosen.markers if n not in columns and n[0] in sides]
    feet = [side for side in sides if {f"{side}_CA", f"{side}_VM"} <= columns.keys()]
    if not feet:
        sheet.find(
            "labels_unknown",
            "fault",
            "Heel (CA) and fifth metatarsal head (VM) of at least one side are needed to find the "
            f"crank; neither side that is said to be seen has both. Labels not known: "
            f"{', '.join(unknown) or 'none'}.",
            "Name these markers as the marker set has them, or list your labels in a marker set.",
        )
    elif absent:
        sheet.find(
            "labels_unknown",
            "warning",
            f"The marker set {chosen.name} expects {', '.join(absent)} too, which no label gives"
            + (f"; labels not known: {', '.join(unknown)}." if unknown else "."),
            "Name the markers as the set has them, list your labels in a marker set of your own, "
            "or state the side that is seen; measures that need these markers are left out.",
            absent=len(absent),
        )
    elif unknown:
        sheet.find(
            "labels_unknown",
            "note",
            f"Labels that the marker set {chosen.name} does not know: {', '.join(unknown)}.",
            "Nothing need be done; these markers are not used.",
            unknown=len(unknown),
        )


def corrected(markers: Markers, sheet: Sheet) -> Markers:
    """Judge size and upward axis, and return the markers as they should have come."""
    middles = {name: _middle(markers.of(name)) for name in markers.columns}
    factor = _unit(middles, sheet)
    up = _up(middles, markers.up, sheet)
    return Markers(markers.names, markers.columns, factor * markers.positions, up)


def _middle(track: FloatArray) -> FloatArray:
    seen = track[np.isfinite(track[:, 0])]
    return np.median(seen, axis=0) if len(seen) else np.full(3, np.nan)


def _unit(middles: Mapping[str, FloatArray], sheet: Sheet) -> float:
    """Factor that makes the rider an adult's size; 1 where he is of a plausible one."""
    ratios = [
        float(np.linalg.norm(middles[f"{side}_{a}"] - middles[f"{side}_{b}"])) / adult
        for (a, b), adult in ADULT_MM.items()
        for side in "LR"
        if f"{side}_{a}" in middles and f"{side}_{b}" in middles
    ]
    ratio = float(np.nanmedian(ratios)) if np.isfinite(ratios).any() else float("nan")
    sheet.look("size of the rider", f"{100 * ratio:.3g} % of an adult's", "units")
    if not np.isfinite(ratio) or ratio == 0.0 or SMALLEST <= ratio <= LARGEST:
        return 1.0
    factor = min(UNITS, key=lambda f: abs(np.log(f * ratio)))
    fits = SMALLEST <= factor * ratio <= LARGEST
    guess = f" They look like {UNITS[factor]}." if fits else ""
    sheet.find(
        "units",
        "fault",
        f"Segments should be about as long as an adult's; they are {ratio:.3g} times that.{guess} "
        + ("The rest was judged as if they were." if fits else ""),
        "Send millimetres, or metres with unit = 'm' in the description; else check the "
        "calibration of the volume.",
        ratio=ratio,
    )
    return factor if fits else 1.0


def _up(middles: Mapping[str, FloatArray], stated: Up, sheet: Sheet) -> Up:
    def mean(*names: str) -> FloatArray:
        there = [middles[f"{side}_{n}"] for n in names for side in "LR" if f"{side}_{n}" in middles]
        there = [place for place in there if np.isfinite(place).all()]
        return np.mean(there, axis=0) if there else np.full(3, np.nan)

    rise = mean("GT", "ASIS", "PSIS") - mean("CA", "VM", "LM")
    if not np.isfinite(rise).all():
        return stated
    order = np.argsort(-np.abs(rise))
    first, second = np.abs(rise)[order[:2]]
    signs: dict[bool, tuple[Up, Up, Up]] = {True: ("+x", "+y", "+z"), False: ("-x", "-y", "-z")}
    found = signs[bool(rise[order[0]] > 0)][int(order[0])]
    sheet.look("upward axis", f"stated {stated}, from feet to hips {found}", "up_axis")
    if found == stated or first < CLEARLY * second:
        return stated
    sheet.find(
        "up_axis",
        "fault",
        f"The description says that {stated} points up, but from the feet to the hips it is "
        f"{found} ({first:.0f} mm along it, {second:.0f} mm along the next). The rest was judged "
        f"with {found}.",
        f"State up = '{found}', or set the capture system's axes.",
    )
    return found
