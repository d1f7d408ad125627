"""What can be measured on a drawing without a browser: where its words lie."""

from __future__ import annotations

import re
from collections.abc import Iterator
from xml.etree import ElementTree

SVG = "{http://www.w3.org/2000/svg}"
Box = tuple[float, float, float, float]


def texts(svg: str) -> Iterator[tuple[str, Box]]:
    """Every line of words, and the box that it takes."""
    root = ElementTree.fromstring(svg)
    for one in root.iter(f"{SVG}text"):
        size, anchor = float(one.get("font-size")), one.get("text-anchor")
        words = one.text or ""
        width = 0.56 * size * len(words)  # a generous mean for these faces
        x = float(one.get("x")) - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * width
        y = float(one.get("y"))
        yield words, (x, y - 0.75 * size, x + width, y + 0.2 * size)


def check_words(svg: str) -> None:
    """Every word inside the sheet, and on no other word."""
    width, height = (float(v) for v in re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg).groups())
    boxes = list(texts(svg))
    for words, (x0, y0, x1, y1) in boxes:
        assert min(x0, y0) >= 0, words
        assert x1 <= width + 0.1 * len(words), words
        assert y1 <= height, words
    for i, (words, a) in enumerate(boxes):
        for other, b in boxes[i + 1 :]:
            overlap = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
            assert overlap[0] <= 3 or overlap[1] <= 3, (words, other)
