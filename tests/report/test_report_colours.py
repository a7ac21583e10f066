"""Legible in colour and in grey."""

from __future__ import annotations

import itertools
import re
from xml.etree.ElementTree import Element

import pytest

from livefit.report import palette
from tests.report.report_pages import SVG, parsed

COLOURS = {name: value for name, value in vars(palette).items() if str(value).startswith("#")}


def luminance(code: str) -> float:
    """Relative luminance of WCAG 2.2, written from its definition."""
    parts = [int(code[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    one, other = sorted((luminance(a), luminance(b)), reverse=True)
    return (one + 0.05) / (other + 0.05)


def test_the_yardstick() -> None:
    # WCAG 2.2: black on white is 21:1; #767676 on white 4.54:1 (from memory).
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.01)


def test_texts_and_marks_stand_out() -> None:
    # WCAG 2.2, success criteria 1.4.3 (texts, 4.5:1) and 1.4.11 (marks, 3:1).
    for text, ground in itertools.product(palette.TEXTS, palette.GROUNDS):
        assert contrast(text, ground) >= 4.5, (text, ground)
    for mark, ground in itertools.product(palette.MARKS, palette.GROUNDS):
        assert contrast(mark, ground) >= 3, (mark, ground)
    for mark in (palette.BEFORE, palette.AFTER, palette.BAND_EDGE):
        assert contrast(mark, palette.BAND) >= 3
    assert contrast(palette.AFTER, palette.SPREAD) >= 3


def test_the_page_uses_no_other_colours(html: str, page: Element) -> None:
    known = {str(value) for value in COLOURS.values()} | set(palette.VERDICT.values())
    style = next(page.iter("style"))
    used = set(re.findall(r"#[0-9A-Fa-f]{6}\b", style.text or ""))
    for svg in page.iter(f"{SVG}svg"):
        for part in svg.iter():
            used |= {v for k in ("fill", "stroke") if (v := part.get(k)) and v != "none"}
    assert used <= known


def test_texts_in_drawings_are_of_a_text_colour(page: Element) -> None:
    colours = {text.get("fill") for text in page.iter(f"{SVG}text")}
    assert colours
    assert colours <= set(palette.TEXTS)


def test_no_verdict_rests_on_colour_alone() -> None:
    from livefit.report.svg import verdict_shape

    outlines = set()
    for key in palette.VERDICT:
        svg = next(parsed(verdict_shape(key)).iter(f"{SVG}svg"))
        (part,) = list(svg)
        shape = {k: v for k, v in part.attrib.items() if k not in ("fill", "stroke")}
        outlines.add((part.tag, tuple(sorted(shape.items()))))
    assert len(outlines) == len(palette.VERDICT)


def test_before_and_after_differ_without_colour(page: Element) -> None:
    for svg in page.iter(f"{SVG}svg"):
        for part in svg.iter():
            kinds = (part.get("class") or "").split()
            if part.tag.endswith("circle") and "before" in kinds:
                assert part.get("fill") == palette.PAPER
            if part.tag.endswith(("line", "path")) and "before" in kinds:
                assert part.get("stroke-dasharray") == palette.DASH
            if part.tag.endswith(("line", "path")) and "after" in kinds:
                assert part.get("stroke-dasharray") is None
