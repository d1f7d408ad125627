"""A drawing as the answer to a request, with the type of the pages in it: an image takes none from the page around."""

from __future__ import annotations

import base64
from functools import cache
from pathlib import Path
from typing import Final

from starlette.responses import Response

FONTS: Final = {"regular.ttf": "AtkinsonHyperlegible-Regular.ttf", "bold.ttf": "AtkinsonHyperlegible-Bold.ttf"}
_WEIGHTS: Final = {"regular.ttf": 400, "bold.ttf": 700}


def drawn(svg: str) -> Response:
    """The drawing as an image."""
    return Response(svg.replace("<style>", f"<style>{_faces()}", 1), media_type="image/svg+xml")


def font_file(name: str) -> Path:
    """Where the font package keeps it."""
    import fontpkg_atkinson_hyperlegible

    return Path(fontpkg_atkinson_hyperlegible.__file__).parent / "files" / FONTS[name]


@cache
def _faces() -> str:
    return "".join(
        f"@font-face{{font-family:'Atkinson Hyperlegible';font-weight:{weight};src:url(data:font/ttf;base64,"
        f"{base64.b64encode(font_file(name).read_bytes()).decode()})}}"
        for name, weight in _WEIGHTS.items()
    )
