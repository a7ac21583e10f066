"""Legibility: contrast, colour vision, size."""

from __future__ import annotations

import ast
import itertools
import math
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import freetype  # type: ignore[import-untyped]
import numpy as np
import pytest
import vispy.util.fonts
from numpy.typing import NDArray

from livefit.dashboard import theme
from livefit.dashboard.figure_drawing import STALE_STRENGTH
from livefit.dashboard.theme import Color, mixed, rgb
from livefit.view import words

FloatArray = NDArray[np.float64]

# Machado GM, Oliveira MM, Fernandes LAF (2009) A physiologically-based model for simulation of
# color vision deficiency. IEEE Trans Vis Comput Graph 15:1291-1298, severity 1.0; for linear RGB.
SEES = {
    "normal": np.eye(3),
    "protanopia": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                            [-0.003882, -0.048116, 1.051998]]),
    "deuteranopia": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                              [-0.011820, 0.042940, 0.968881]]),
    "tritanopia": np.array([[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                            [0.004733, 0.691367, 0.303900]]),
}  # fmt: skip


def linear(color: Color) -> FloatArray:
    """Linear RGB of sRGB, IEC 61966-2-1."""
    c = np.array(color[:3])
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def contrast(a: Color, b: Color) -> float:
    """Contrast ratio of WCAG 2.2."""
    one, other = (float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (a, b))
    return (max(one, other) + 0.05) / (min(one, other) + 0.05)


def lab(rgb_linear: FloatArray) -> FloatArray:
    """CIELAB of linear sRGB, D65, CIE 15:2004."""
    to_xyz = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    ratio = to_xyz @ np.clip(rgb_linear, 0, 1) / to_xyz.sum(axis=1)
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_yardsticks_themselves() -> None:
    # WCAG 2.2: black on white is 21:1. From memory: #767676 on white 4.54:1, and pure sRGB red
    # L*a*b* 53.2, 80.1, 67.2.
    assert contrast(rgb("#000000"), rgb("#FFFFFF")) == pytest.approx(21.0)
    assert contrast(rgb("#767676"), rgb("#FFFFFF")) == pytest.approx(4.54, abs=0.01)
    np.testing.assert_allclose(lab(linear(rgb("#FF0000"))), [53.2, 80.1, 67.2], atol=0.2)


@pytest.fixture(params=["dark", "light"], autouse=True)
def palette(request: pytest.FixtureRequest) -> Iterator[str]:
    """Each test sees each palette in use."""
    theme.use(request.param)
    yield request.param
    theme.use("dark")


def test_texts_stand_out() -> None:
    # WCAG 2.2, success criterion 1.4.3: 4.5:1.
    texts = [theme.TEXT, theme.QUIET, *theme.VERDICT.values(), *theme.LEVEL.values()]
    grounds = [theme.GROUND, theme.PANEL]
    assert min(contrast(t, g) for t in texts for g in grounds) >= 4.5
    assert contrast(theme.TEXT, theme.BAND) >= 4.5


@pytest.mark.parametrize("level", ["note", "care", "bad"])
def test_messages_stand_out_from_their_tinted_ground(level: words.Level) -> None:
    color = theme.LEVEL[level]
    ground = mixed(color, theme.PANEL, theme.MESSAGE_TINT)
    assert contrast(color, ground) >= 4.5
    assert contrast(theme.TEXT, ground) >= 4.5


def test_marks_stand_out() -> None:
    # WCAG 2.2, success criterion 1.4.11: 3:1.
    marks = [theme.LINE, theme.BAND_EDGE, theme.NEAR, theme.FAR, theme.CRANK]
    assert all(contrast(mark, theme.PANEL) >= 3 for mark in marks)
    assert contrast(theme.LINE, theme.GROUND) >= 3
    stale = [mixed(c, theme.PANEL, STALE_STRENGTH) for c in (theme.NEAR, theme.FAR, theme.CRANK)]
    assert all(contrast(mark, theme.PANEL) >= 3 for mark in stale)
    on_band = [theme.TEXT, theme.QUIET, theme.BAND_EDGE, *theme.VERDICT.values()]
    assert all(contrast(mark, theme.BAND) >= 3 for mark in on_band)


@pytest.mark.parametrize("eye", SEES)
def test_verdicts_and_old_values_differ_for_every_eye(eye: str) -> None:
    # A difference of 2.3 in CIELAB is just noticeable (Mahy M et al. 1994, Color Res Appl
    # 19:105-121); ask for several times that. "unknown" is the colour of all that is old.
    colours = [theme.VERDICT[key] for key in ("below", "within", "above", "unsure", "unknown")]
    seen = [lab(SEES[eye] @ linear(colour)) for colour in colours]
    assert min(math.dist(a, b) for a, b in itertools.combinations(seen, 2)) >= 15


def test_each_palette_names_every_colour_in_use(palette: str) -> None:
    chosen = theme.PALETTES[palette]
    assert theme.in_use == palette
    for field in fields(chosen):
        assert getattr(theme, field.name.upper()) == getattr(chosen, field.name)
    assert theme.VERDICT["unknown"] == chosen.quiet
    assert theme.LEVEL["bad"] == chosen.bad


def test_toggling_goes_round_and_an_unknown_theme_is_told(palette: str) -> None:
    theme.toggle()
    assert theme.in_use != palette
    theme.toggle()
    assert theme.in_use == palette
    with pytest.raises(ValueError, match="expected a theme of dark, light, got 'sepia'"):
        theme.use("sepia")
    assert theme.in_use == palette


def test_no_module_keeps_a_colour_from_its_import() -> None:
    colours = {f.name.upper() for f in fields(theme.Palette)} | {"VERDICT", "LEVEL", "in_use"}
    files = sorted(Path(theme.__file__).parent.rglob("*.py"))
    assert len(files) > 10
    kept = [
        f"{file.name}:{node.lineno}"
        for file in files
        for node in outside_functions(ast.parse(file.read_text(encoding="utf-8")))
        if (isinstance(node, ast.Attribute) and node.attr in colours)
        or (isinstance(node, ast.alias) and node.name in colours)
    ]
    assert kept == []


def outside_functions(tree: ast.AST) -> Iterator[ast.Attribute | ast.alias]:
    """What is evaluated on import: all but the bodies of functions, with their defaults."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.FunctionDef | ast.Lambda):
            yield from outside_functions(node.args)
            continue
        if isinstance(node, ast.Attribute | ast.alias):
            yield node
        yield from outside_functions(node)


def test_no_verdict_rests_on_colour_alone() -> None:
    judged = [words.VERDICTS[key] for key in ("below", "within", "above", "unsure")]
    for what in ("word", "shape", "sign"):
        assert len({getattr(v, what) for v in judged}) == 4


def test_values_are_legible_at_two_metres() -> None:
    # 20 minutes of arc, as ISO 9241-303 recommends for characters (from memory), on a 24-inch
    # 16:9 screen of 1920 x 1080.
    pixel_mm = 24 * 25.4 / math.hypot(16, 9) * 9 / 1080
    needed_mm = 2000 * math.tan(math.radians(20 / 60))
    assert theme.VALUE * theme.CAP_HEIGHT * pixel_mm >= needed_mm * 0.999


def test_height_of_capitals_is_that_of_the_font() -> None:
    fonts = Path(vispy.util.fonts.__file__).parent / "data"
    face = freetype.Face(str(fonts / "OpenSans-Regular.ttf"))
    face.load_char("H", freetype.FT_LOAD_NO_SCALE)
    box = face.glyph.outline.get_bbox()
    assert (box.yMax - box.yMin) / face.units_per_EM == pytest.approx(theme.CAP_HEIGHT, abs=0.002)
