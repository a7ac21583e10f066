"""The appendix for the next fitter: what each measure is, which trials, which cranks."""

from __future__ import annotations

from collections.abc import Sequence

from livefit.definitions import Measure
from livefit.report.names import Names
from livefit.report.rows import MeasureRow
from livefit.session.models import FitSession, Trial

SURE = 1.96
"""Standard errors in half a 95 % interval."""


def measure_lines(rows: Sequence[MeasureRow], names: Names) -> list[tuple[str, str]]:
    """Title and definition of each measure of the report."""
    used = dict.fromkeys(row.measure for row in rows)
    known = {measure.name: measure for measure in names.definitions.measures}
    return [(names.measure(name), definition(known[name], names)) for name in used if name in known]


def definition(measure: Measure, names: Names) -> str:
    """What a measure is, in a line."""
    words = names.words
    points = [_point(point, names) for point in measure.points]
    text = words(
        f"method.kind.{measure.kind}",
        **dict(zip("abcd", points, strict=False)),
        plane=words(f"method.plane.{measure.plane}") if measure.plane else "",
        axis=words(f"method.axis.{measure.axis}") if measure.axis else "",
    )
    plain = names.plain(measure.name)
    return f"{text}. {plain}."


def _point(point: str, names: Names) -> str:
    """``hip``, ``left front of pelvis`` and so on."""
    spoken = []
    for part in point.split("+"):
        side, _, landmark = part.rpartition("_")
        word = names.words.find(f"landmark.{landmark}") or landmark
        spoken.append(names.words(f"sided.{side}", what=word) if side in ("L", "R") else word)
    return " + ".join(spoken)


def trial_lines(session: FitSession, names: Names) -> list[str]:
    """Each trial: how long, how many strokes, how fast, how hard."""
    words = names.words
    lines = []
    for trial in session.trials:
        strokes = max((number.n for number in trial.numbers), default=0)
        parts = [words("method.trial_strokes", n=strokes)]
        if trial.seconds is not None:
            parts.append(words("method.trial_seconds", seconds=words.number(trial.seconds, 0)))
        if trial.cadence_rpm is not None:
            parts.append(words("method.trial_cadence", rpm=words.number(trial.cadence_rpm, 0)))
        if trial.workload_w is not None:
            parts.append(words("method.trial_workload", watts=words.number(trial.workload_w, 0)))
        parts += [
            words(
                "method.trial_crank",
                side=words(f"side.{crank.side}").lower(),
                length=words.number(crank.length_mm),
                half=words.half(SURE * crank.length_se_mm),
            )
            for crank in trial.cranks
        ]
        if trial.notes:
            parts.append(trial.notes)
        lines.append(
            words(
                "method.trial_line",
                number=trial.number,
                name=f" ({trial.name})" if trial.name else "",
                parts="; ".join(parts),
            )
        )
    return lines


def recordings(session: FitSession) -> list[str]:
    """Names of all recordings, each once."""
    trials: list[Trial] = session.trials
    return list(dict.fromkeys([*session.recordings, *(r for t in trials for r in t.recordings)]))
