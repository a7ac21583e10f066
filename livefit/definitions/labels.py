"""From a laboratory's marker labels to the landmarks of the definitions."""

from __future__ import annotations

from collections.abc import Sequence

from livefit.definitions.models import DefinitionError, MarkerSet

FEWEST_MARKERS = 3
"""No joint angle can be had from fewer."""


def match_marker_set(labels: Sequence[str], sets: Sequence[MarkerSet]) -> MarkerSet:
    """Choose the marker set that knows most of a stream's labels.

    Between equals the set of which fewer markers, and then fewer optional ones, are absent wins;
    then the earlier one.

    Raises
    ------
    DefinitionError
        When no set knows at least three of the labels.

    Examples
    --------
    >>> leg = MarkerSet(name="leg", title="Leg", markers=["R_GT", "R_LE", "R_LM"])
    >>> match_marker_set(["R_LM", "R_LE", "R_GT", "spare"], [leg]).name
    'leg'
    """

    def rank(marker_set: MarkerSet) -> tuple[int, int, int]:
        seen = _seen(labels, marker_set)
        absent = set(marker_set.markers) - seen
        return len(seen), -len(absent), -len(set(marker_set.optional) - seen)

    best = max(sets, key=rank, default=None)
    if best is None or rank(best)[0] < FEWEST_MARKERS:
        expected = "; ".join(f"{each.name}: {', '.join(_expected(each))}" for each in sets)
        raise DefinitionError(
            f"no marker set knows at least {FEWEST_MARKERS} of the stream's labels. "
            f"Labels that came: {', '.join(labels) or 'none'}. "
            f"Expected those of one set: {expected or 'there are no marker sets'}. "
            "Rename the markers in the capture software, or give their labels to a marker set "
            "of your own (a file in 'markers', table [labels])."
        )
    return best


def canonical_labels(labels: Sequence[str], marker_set: MarkerSet) -> tuple[str | None, ...]:
    """Return each label's canonical name in ``marker_set``; None = a marker it does not know.

    Raises
    ------
    DefinitionError
        When two labels stand for the same marker.

    Examples
    --------
    >>> leg = MarkerSet(name="leg", title="Leg", markers=["R_LE"], labels={"knee": "R_LE"})
    >>> canonical_labels(["knee", "spare"], leg)
    ('R_LE', None)
    """
    names = tuple(_canonical(label, marker_set) for label in labels)
    first: dict[str, str] = {}
    for label, name in zip(labels, names, strict=True):
        if name is not None and first.setdefault(name, label) != label:
            raise DefinitionError(
                f"expected one marker for {name} of the marker set {marker_set.name!r}, found two "
                f"labels, {first[name]!r} and {label!r}. Rename one of them in the capture "
                "software, or take it out of [labels] in a marker set of your own."
            )
    return names


def _canonical(label: str, marker_set: MarkerSet) -> str | None:
    name = marker_set.labels.get(label, label)
    return name if name in marker_set.markers or name in marker_set.optional else None


def _seen(labels: Sequence[str], marker_set: MarkerSet) -> set[str]:
    return {name for label in labels if (name := _canonical(label, marker_set)) is not None}


def _expected(marker_set: MarkerSet) -> list[str]:
    """Return what a laboratory may call the markers of the set: its own label, else ours."""
    own = {name: label for label, name in marker_set.labels.items()}
    return [own.get(name, name) for name in marker_set.markers]
