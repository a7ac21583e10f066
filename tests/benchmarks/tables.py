"""Tables for the terminal."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence

Cell = str | int | float


def table(head: Sequence[str], rows: Sequence[Sequence[Cell]]) -> str:
    """Columns as wide as they need to be, numbers to the right.

    >>> print(table(["method", "ratio"], [["nearest", 12.345], ["ours", 1.0]]))
    method   ratio
    nearest  12.35
    ours      1.00
    """
    cells = [[_text(cell) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(head, *cells, strict=True)]
    left = [all(isinstance(row[k], str) for row in rows) for k in range(len(head))]
    lines = [
        "  ".join(
            cell.ljust(width) if to_left else cell.rjust(width)
            for cell, width, to_left in zip(line, widths, left, strict=True)
        ).rstrip()
        for line in [list(head), *cells]
    ]
    return "\n".join(lines)


def _text(cell: Cell) -> str:
    if not isinstance(cell, float):
        return str(cell)
    if math.isnan(cell):
        return "-"
    return f"{cell:.2f}" if abs(cell) >= 1 else f"{cell:.3f}"


def load_average() -> str:
    """The machine's load over the last minute."""
    return f"{os.getloadavg()[0]:.2f}"
