"""From a session to one HTML page that needs nothing else."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from itertools import count
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from livefit.definitions.studio import Studio
from livefit.report import method, number_tables, palette, sentences
from livefit.report.movement import movement
from livefit.report.names import Names
from livefit.report.number_tables import Group, Sources
from livefit.report.pictures import Shown, embedded, shown
from livefit.report.rows import compare, lay_out
from livefit.report.set_up import DimensionRow, dimension_rows, set_up_sheet
from livefit.report.svg import verdict_shape
from livefit.report.words import NONE
from livefit.session.left_out import left_out, standing
from livefit.session.models import Adjustment, Answer, FitSession, Taken

HERE = Path(__file__).parent
PAGE = {"a4": "210mm 297mm", "letter": "8.5in 11in"}
STYLE_HERE = "/* style */"
LOGO_PX = 480
HEAD_LETTERS = 44
"""Names longer than this are cut in the running head of a printed page."""
EXTENDED = range(0x0100, 0x0250)
"""Latin letters that the small fonts lack."""


@dataclass(frozen=True)
class Report:
    """All that one report is made of.

    Attributes
    ----------
    names
        The report's words and titles.
    pictures_dir
        Where the session's pictures are.
    earlier
        A session to compare with.
    """

    session: FitSession
    names: Names
    studio: Studio
    pictures_dir: Path | None = None
    earlier: FitSession | None = None

    def html(self) -> str:
        """The whole page.

        Raises
        ------
        ValueError, OSError
            The studio's logo is no picture, or is not there.
        """
        environment = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        environment.filters["css"] = css_string
        environment.filters["upper_first"] = lambda text: text[:1].upper() + text[1:]
        body = environment.get_template("report.html.j2").render(self._context())
        style = environment.get_template("style.css.j2").render(
            page_size=PAGE[self.studio.paper],
            running=self._running(),
            palette=palette,
            fonts=fonts(body),
            w=self.names.words,
        )
        return body.replace(STYLE_HERE, style, 1)

    def _context(self) -> dict[str, Any]:
        session, names, words = self.session, self.names, self.names.words
        pictures = (f"p{k}" for k in count(1))
        compared = compare(session, names.definitions)
        sources = Sources(session, names.definitions, names)
        one = compared.after is None
        charted = number_tables.charted(compared.rows)
        return {
            "w": words,
            "names": names,
            "session": session,
            "studio": self.studio,
            "logo": None if self.studio.logo is None else embedded(self.studio.logo, LOGO_PX),
            "fitter": session.fitter or self.studio.fitter,
            "studio_name": session.studio or self.studio.name,
            "palette": palette,
            "style_here": STYLE_HERE,
            "shape": verdict_shape,
            "pair": not one,
            "compared": compared,
            "movement": movement(compared, names, pictures),
            "summary": sentences.summarise(session, compared, names),
            "findings": sentences.findings(compared, names),
            "told": [
                (words(f"told.{part}"), _answers(answers, names))
                for part, answers in (
                    ("interview", session.interview),
                    ("examination", session.examination),
                )
                if answers
            ],
            "adjustments": _adjustments(session, names),
            "groups": number_tables.groups(charted, names, sources, pictures, one=one),
            "full": number_tables.full_table(compared.rows, names),
            "set_up": set_up_sheet(session, names, pictures),
            "earlier": self._earlier(sources, pictures),
            "pictures": self._pictures(),
            "unmeasured": sentences.unmeasured(session, compared, names),
            "measures": method.measure_lines(compared.rows, names),
            "trials": method.trial_lines(session, names),
            "recordings": method.recordings(session),
            "sources": sources,
            "version": version("livefit"),
        }

    def _running(self) -> tuple[str, str]:
        """What stands at the head of every printed page, left and right."""
        day = self.names.words.date(self.session.began.date())
        return (
            _cut(self.session.studio or self.studio.name),
            f"{_cut(self.session.rider.name)}, {day}",
        )

    def _pictures(self) -> list[Shown]:
        missing, unreadable = (
            self.names.words(f"pictures.{key}") for key in ("missing", "unreadable")
        )
        return [
            shown(picture, self.pictures_dir, missing, unreadable)
            for picture in self.session.pictures
        ]

    def _earlier(self, sources: Sources, pictures: Iterator[str]) -> Earlier | None:
        if self.earlier is None:
            return None
        then, now = (compare(s, self.names.definitions) for s in (self.earlier, self.session))
        rows = lay_out(then.after or then.before, now.after or now.before, self.names.definitions)
        both = [
            row
            for row in number_tables.charted(rows)
            if any(s.before and s.after for s in row.sides)
        ]
        pair = (self.earlier, self.session)
        old, new = (standing(one) for one in pair)
        return Earlier(
            date=self.names.words.date(self.earlier.began.date()),
            groups=number_tables.groups(
                both, self.names, sources, pictures, one=False, judged=False
            ),
            dimensions=dimension_rows(old, new, self.names) if old and new else [],
            kept=any("kept" in left_out(one).values() for one in pair),
        )


@dataclass(frozen=True)
class Earlier:
    """An earlier session beside this one."""

    date: str
    groups: list[Group]
    dimensions: list[DimensionRow]
    kept: bool
    """Whether some of the dimensions were not measured again after a session's changes."""


@dataclass(frozen=True)
class Made:
    """One adjustment, ready to be printed."""

    trial: str
    part: str
    typed: str
    measured: str
    why: str


def _adjustments(session: FitSession, names: Names) -> list[Made]:
    return [
        Made(
            trial=names.words("adjustments.before_trial", number=trial.number),
            part=names.part(made.part),
            typed=sentences.amount_moved(made, names),
            measured=_measured(made, made.measured, names),
            why=made.why,
        )
        for trial in sorted(session.trials, key=lambda trial: trial.number)
        for made in trial.adjustments
    ]


def _measured(made: Adjustment, taken: Taken | None, names: Names) -> str:
    words = names.words
    if taken is None:
        return words("verdict.none")
    size = words.number(abs(taken.value))
    if taken.half_width is not None:
        size = words("plus_minus", value=size, half=words.half(taken.half_width))
    way = names.part_way(made.part, taken.value) if taken.value else ""
    return f"{size}{words.unit(taken.unit)} {way}, {words(f'setup.{taken.how}')}".replace(" ,", ",")


def _answers(answers: dict[str, Answer], names: Names) -> list[tuple[str, str]]:
    return [(names.question(key), _answer(key, answer, names)) for key, answer in answers.items()]


def _answer(question: str, answer: Answer, names: Names) -> str:
    words = names.words
    if isinstance(answer, bool):
        return words("told.yes" if answer else "told.no")
    if isinstance(answer, float | int):
        return words.short(float(answer)) + names.question_unit(question)
    if isinstance(answer, str):
        return names.choice(answer) or NONE
    return "; ".join(names.choice(each) for each in answer) or NONE


def fonts(page: str) -> list[dict[str, str]]:
    """The fonts that a page needs: the larger ones only where a letter asks for them."""
    extended = any(ord(letter) in EXTENDED for letter in set(page))
    return [
        {"family": family, "weight": weight, "data": _font(file)}
        for file, family, weight in (
            ("regular", "Report", "400"),
            ("semibold", "Report", "600"),
            ("regular-ext", "Report Ext", "400"),
            ("semibold-ext", "Report Ext", "600"),
        )
        if extended or not file.endswith("-ext")
    ]


@cache
def _font(name: str) -> str:
    return base64.b64encode((HERE / "fonts" / f"{name}.woff2").read_bytes()).decode("ascii")


def css_string(text: str) -> str:
    r"""A string of CSS that holds the text and can end neither itself nor the style sheet.

    >>> css_string('a"</style>')
    '"a\\22 \\3c \\2f style\\3e "'
    """
    safe = [c if c.isalnum() or c in " .,-" else f"\\{ord(c):x} " for c in text]
    return f'"{"".join(safe)}"'


def _cut(text: str) -> str:
    return text if len(text) <= HEAD_LETTERS else f"{text[: HEAD_LETTERS - 1].rstrip()}…"
