"""Two batched visuals: every line of a layer in one buffer, every text of a layer in another.

Both take canvas pixels (x right, y down) and draw flat, in the order given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from vispy.gloo import VertexBuffer
from vispy.scene.visuals import create_visual_node
from vispy.visuals import Visual
from vispy.visuals.text.text import FontManager

from livefit.dashboard.theme import Color

FACE = "OpenSans"
CACHED_LAYOUTS = 512
SEGMENT_COLUMNS = 11
_CORNERS = np.array([[0, -1], [0, 1], [1, 1], [0, -1], [1, 1], [1, -1]], dtype=np.float32)
"""Two triangles of a quad: (0 first end or 1 second end, side of the line)."""

_SEGMENT_VERTEX = np.dtype(
    [("a_position", "f4", 2), ("a_uv", "f4", 2), ("a_form", "f4", 4), ("a_color", "f4", 4)]
)
_GLYPH_VERTEX = np.dtype(
    [("a_position", "f4", 2), ("a_texcoord", "f4", 2), ("a_type", "f4", 2), ("a_color", "f4", 4)]
)

_SEGMENT_VERTEX_SHADER = """
attribute vec2 a_position;
attribute vec2 a_uv;
attribute vec4 a_form;
attribute vec4 a_color;
varying vec2 v_uv;
varying vec4 v_form;
varying vec4 v_color;

void main() {
    v_uv = a_uv;
    v_form = a_form;
    v_color = a_color;
    gl_Position = $transform(vec4(a_position, 0.0, 1.0));
}
"""

_SEGMENT_FRAGMENT_SHADER = """
uniform float u_pixel;
varying vec2 v_uv;      // along the line from its first end, and across, px
varying vec4 v_form;    // length, half width at either end, 1 = round ends
varying vec4 v_color;

void main() {
    float length_px = v_form.x;
    float along = clamp(v_uv.x, 0.0, length_px);
    float taper = (v_form.z - v_form.y) / max(length_px, 1.0e-6);
    float side = (abs(v_uv.y) - v_form.y - taper * along) * inversesqrt(1.0 + taper * taper);
    float butt = max(side, max(-v_uv.x, v_uv.x - length_px));
    float round_ = length(vec2(v_uv.x - along, v_uv.y)) - v_form.y - taper * along;
    float outside = mix(butt, round_, v_form.w);
    float alpha = clamp(0.5 - outside / u_pixel, 0.0, 1.0);
    gl_FragColor = vec4(v_color.rgb, v_color.a * alpha);
}
"""

_GLYPH_VERTEX_SHADER = """
attribute vec2 a_position;
attribute vec2 a_texcoord;
attribute vec2 a_type;
attribute vec4 a_color;
varying vec2 v_texcoord;
varying vec2 v_type;
varying vec4 v_color;

void main() {
    v_texcoord = a_texcoord;
    v_type = a_type;
    v_color = a_color;
    gl_Position = $transform(vec4(a_position, 0.0, 1.0));
}
"""

_GLYPH_FRAGMENT_SHADER = """
const float SPREAD = 0.125;  // vispy's field reaches 1/8 em to either side of the outline
uniform sampler2D u_atlas;
varying vec2 v_texcoord;
varying vec2 v_type;         // device pixels to the em; how much bolder, em
varying vec4 v_color;

void main() {
    // vispy keeps sign(d) |d|^(3/4) / 2 + 1/2 of the distance d.
    float kept = 2.0 * texture2D(u_atlas, v_texcoord).r - 1.0;
    float inside = sign(kept) * pow(abs(kept), 4.0 / 3.0) * SPREAD + v_type.y;
    gl_FragColor = vec4(v_color.rgb, v_color.a * clamp(0.5 + inside * v_type.x, 0.0, 1.0));
}
"""


class Label(NamedTuple):
    """A text whose baseline starts at (``x``, ``y``) px, ``size`` px to the em."""

    text: str
    x: float
    y: float
    size: float
    color: Color
    weight: float = 0.0
    close: bool = False
    """Whether it is read close to the screen, see `livefit.view.screens`."""


@dataclass(frozen=True)
class Box:
    """Where a text's ink lies on the canvas, px."""

    text: str
    left: float
    top: float
    right: float
    bottom: float
    size: float = 0.0
    """Of the type, px to the em."""
    close: bool = False


@dataclass(frozen=True)
class _Layout:
    corners: NDArray[np.float32]
    """(6 glyphs, 2) em, x right and y down from the start of the baseline."""
    texcoords: NDArray[np.float32]
    advance: float
    ink: tuple[float, float, float, float]
    """Left, top, right, bottom of the ink, em."""


class Fonts:
    """The glyphs of one canvas and the layouts of the texts last used; one for each canvas."""

    def __init__(self) -> None:
        self._font: Any = FontManager(method="cpu").get_font(FACE)
        self.layout = lru_cache(CACHED_LAYOUTS)(self._lay_out)

    @property
    def atlas(self) -> Any:
        """The texture that holds the glyphs."""
        return self._font._atlas

    def width(self, text: str, size: float) -> float:
        """Width of ``text`` set in ``size`` px to the em."""
        return size * self.layout(text).advance

    def elide(self, text: str, size: float, room: float) -> str:
        """``text``, or as much of its start as fits into ``room`` px before an ellipsis."""
        if self.width(text, size) <= room:
            return text
        for end in range(len(text) - 1, 0, -1):
            short = text[:end].rstrip() + "…"
            if self.width(short, size) <= room:
                return short
        return ""

    def wrap(self, text: str, size: float, room: float, lines: int) -> list[str]:
        """``text`` broken between words into at most ``lines`` lines; the last may be elided."""
        out: list[str] = []
        left = text.split()
        while left and len(out) < lines - 1:
            count = 1
            while count < len(left) and self.width(" ".join(left[: count + 1]), size) <= room:
                count += 1
            out.append(self.elide(" ".join(left[:count]), size, room))
            left = left[count:]
        if left:
            out.append(self.elide(" ".join(left), size, room))
        return out

    def _lay_out(self, text: str) -> _Layout:
        font = self._font
        ratio, slop, em = 1.0 / font.ratio, font.slop, font._lowres_size
        corners = np.empty((len(text), 2, 2), np.float32)
        texcoords = np.empty((len(text), 2, 2), np.float32)
        pen, previous = 0.0, None
        for i, char in enumerate(text):
            glyph = font[char]
            pen += glyph["kerning"].get(previous, 0.0) * ratio
            left = pen + glyph["offset"][0] * ratio - slop
            top = -glyph["offset"][1] * ratio - slop
            corners[i] = ((left, top), (left + glyph["size"][0], top + glyph["size"][1]))
            texcoords[i] = np.reshape(glyph["texcoords"], (2, 2))
            pen += glyph["advance"] * ratio
            previous = char
        inked = np.array([not char.isspace() for char in text], bool)
        low = corners[inked, 0].min(axis=0) + slop if inked.any() else np.zeros(2)
        high = corners[inked, 1].max(axis=0) - slop if inked.any() else np.zeros(2)
        return _Layout(
            _two_triangles(corners / em),
            _two_triangles(texcoords),
            pen / em,
            (low[0] / em, low[1] / em, high[0] / em, high[1] / em),
        )


def _two_triangles(corners: NDArray[np.float32]) -> NDArray[np.float32]:
    """(n, 2 opposite corners, 2) -> (6 n, 2) vertices."""
    pick_x, pick_y = [0, 0, 1, 0, 1, 1], [0, 1, 1, 0, 1, 0]
    return np.stack([corners[:, pick_x, 0], corners[:, pick_y, 1]], axis=-1).reshape(-1, 2)


class _Batch(Visual):  # type: ignore[misc]
    """A vertex buffer drawn as triangles, flat."""

    def __init__(self, vertex_shader: str, fragment_shader: str, vertex: np.dtype[Any]) -> None:
        super().__init__(vcode=vertex_shader, fcode=fragment_shader)
        self._buffer = VertexBuffer(np.zeros(0, vertex))
        self._room = 0
        self.empty = True
        """Whether there is nothing to draw."""
        self._draw_mode = "triangles"
        self.set_gl_state("translucent", depth_test=False, cull_face=False)

    def _set_vertices(self, vertices: NDArray[Any]) -> None:
        """Show these; the rest of the buffer is triangles without area.

        A program draws as many vertices as its buffer held when it was bound, so the buffer
        keeps its size until it must grow.
        """
        self.empty = not len(vertices)
        room = max(self._room, 1 << (len(vertices) - 1).bit_length()) if len(vertices) else 0
        if room:
            padded = np.zeros(room, vertices.dtype)
            padded[: len(vertices)] = vertices
            self._buffer.set_data(padded)
            if room != self._room:
                self.shared_program.bind(self._buffer)
                self._room = room
        self.update()

    def _prepare_transforms(self, view: Any) -> None:
        view.view_program.vert["transform"] = view.transforms.get_transform()

    def _prepare_draw(self, view: Any) -> bool:
        return not self.empty


class SegmentsVisual(_Batch):
    """Thick anti-aliased lines, tapers, bars and discs in one buffer."""

    def __init__(self) -> None:
        super().__init__(_SEGMENT_VERTEX_SHADER, _SEGMENT_FRAGMENT_SHADER, _SEGMENT_VERTEX)
        self.shared_program["u_pixel"] = 1.0
        self.freeze()

    def set_table(self, table: NDArray[np.float32], pixel_scale: float = 1.0) -> None:
        """Show the rows of (n, 11): two ends, half width at either, round ends, colour.

        ``pixel_scale`` is how many device pixels one canvas pixel has.
        """
        self.shared_program["u_pixel"] = 1.0 / pixel_scale
        if not len(table):
            self._set_vertices(np.zeros(0, _SEGMENT_VERTEX))
            return
        a, b, half, round_ends, color = np.split(table, [2, 4, 6, 7], axis=1)
        span = b - a
        length = np.hypot(span[:, :1], span[:, 1:])
        along = np.where(length > 0, span / np.maximum(length, 1e-6), np.array([1, 0], np.float32))
        across = np.stack([-along[:, 1], along[:, 0]], axis=1)
        widest = half.max(axis=1, keepdims=True)
        beyond = round_ends * widest + 1.0
        u = _CORNERS[:, 0] * (length + 2 * beyond) - beyond
        v = _CORNERS[:, 1] * (widest + 1.0)
        vertices = np.zeros((len(table), 6), _SEGMENT_VERTEX)
        vertices["a_uv"] = np.stack([u, v], axis=-1)
        vertices["a_position"] = (
            a[:, None] + u[..., None] * along[:, None] + v[..., None] * across[:, None]
        )
        vertices["a_form"] = np.hstack([length, half, round_ends])[:, None]
        vertices["a_color"] = color[:, None]
        self._set_vertices(vertices.ravel())


class LabelsVisual(_Batch):
    """Texts of any size, colour and weight in one buffer."""

    def __init__(self, fonts: Fonts) -> None:
        super().__init__(_GLYPH_VERTEX_SHADER, _GLYPH_FRAGMENT_SHADER, _GLYPH_VERTEX)
        self._fonts = fonts
        self.shared_program["u_atlas"] = fonts.atlas
        self.freeze()

    def set_labels(self, labels: Sequence[Label], pixel_scale: float = 1.0) -> None:
        """Show these; ``pixel_scale`` is how many device pixels one canvas pixel has."""
        layouts = [self._fonts.layout(label.text) for label in labels]
        counts = [len(layout.corners) for layout in layouts]
        vertices = np.zeros(sum(counts), _GLYPH_VERTEX)
        if len(vertices):
            rows = [(t.x, t.y, t.size, t.weight, *t.color) for t in labels]
            each = np.repeat(np.array(rows, np.float32), counts, axis=0)
            corners = np.concatenate([layout.corners for layout in layouts])
            vertices["a_position"] = corners * each[:, 2:3] + each[:, :2]
            vertices["a_texcoord"] = np.concatenate([layout.texcoords for layout in layouts])
            vertices["a_type"] = each[:, 2:4] * (pixel_scale, 1.0)
            vertices["a_color"] = each[:, 4:]
        self._set_vertices(vertices)


Segments: Any = create_visual_node(SegmentsVisual)
Labels: Any = create_visual_node(LabelsVisual)
