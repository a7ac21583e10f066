"""Reading a report again: HTML by an HTML5 parser, PDF by pypdf and Poppler."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from xml.etree.ElementTree import Element

import pytest
import tinyhtml5

_WORD = re.compile(r'<word xMin="(\S+)" yMin="(\S+)" xMax="(\S+)" yMax="(\S+)">(.*)</word>')

needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None,
    reason="not installed here: pdftotext (Debian: poppler-utils)",
)

SVG = "{http://www.w3.org/2000/svg}"


def parsed(html: str) -> Element:
    """The page as a tree, as a browser understands it."""
    root: Element = tinyhtml5.parse(html, namespace_html_elements=False)
    return root


def words_of(element: Element) -> str:
    """All that can be read in an element, spaces made even."""
    return " ".join(" ".join(element.itertext()).split())


def body_words(page: Element) -> str:
    """All that can be read on the page."""
    body = page.find("body")
    assert body is not None
    return words_of(body)


def pictures(page: Element, kind: str) -> list[Element]:
    """Drawings of one kind, in their order."""
    return [svg for svg in page.iter(f"{SVG}svg") if svg.get("class") == kind]


def with_class(svg: Element, name: str) -> list[Element]:
    """Parts of a drawing of this class."""
    return [part for part in svg.iter() if name in (part.get("class") or "").split()]


def title_of(svg: Element) -> str:
    title = svg.find(f"{SVG}title")
    assert title is not None
    assert title.text
    return title.text


def path_points(d: str) -> list[tuple[float, float]]:
    """Corners of a path of straight lines."""
    return [(float(x), float(y)) for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", d)]


def pages_of(pdf: Path) -> list[str]:
    """The text of each page, as Poppler's pdftotext reads it."""
    found = subprocess.run(
        ["pdftotext", "-raw", str(pdf), "-"], capture_output=True, text=True, check=True
    )
    return found.stdout.rstrip("\f").split("\f")


def section_below(html: str, name: str, lines: int) -> str:
    """A page of one section of the report below so many short lines, without its fonts."""
    style = re.search(r"<style>.*?</style>", html, re.DOTALL)
    section = re.search(rf'<section[^>]*aria-labelledby="{name}">.*?</section>', html, re.DOTALL)
    assert style is not None
    assert section is not None
    plain = re.sub(r"@font-face \{.*?\}", "", style[0])
    above = "<p>Above.</p>" * lines
    return (
        f'<html lang="en"><head><title>Section</title>{plain}</head>'
        f"<body>{above}{section[0]}</body></html>"
    )


@dataclass(frozen=True)
class Word:
    """One word on paper, points from the top left."""

    page: int
    left: float
    top: float
    right: float
    bottom: float
    text: str


def words_on_paper(pdf: Path) -> Iterator[Word]:
    """Every word with its place, as Poppler's pdftotext reads it."""
    found = subprocess.run(
        ["pdftotext", "-bbox", str(pdf), "-"], capture_output=True, text=True, check=True
    ).stdout
    number = 0
    for line in found.splitlines():
        number += line.lstrip().startswith("<page ")
        word = _WORD.search(line)
        if word is not None:
            left, top, right, bottom = (float(word[k]) for k in range(1, 5))
            yield Word(number, left, top, right, bottom, word[5])
