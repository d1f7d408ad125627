"""The fonts of every print: one family with a fall-back, from installed packages, and which letters they have.

Typst leaves a box without a word where no font has a letter, so that is looked up here.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any, Final

FAMILIES: Final = ("Atkinson Hyperlegible", "Noto Sans")


def folders() -> tuple[Path, ...]:
    """Where the font files lie."""
    import fontpkg_atkinson_hyperlegible
    import fontpkg_noto_sans

    return tuple(Path(one.__file__).parent / "files" for one in (fontpkg_atkinson_hyperlegible, fontpkg_noto_sans))


@cache
def typst_fonts() -> Any:
    """The fonts as Typst takes them; nothing of the machine's own is looked at."""
    import typst

    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(one) for one in folders()]
    )


@cache
def letters() -> frozenset[int]:
    """Code points that a print can show in every weight it uses."""
    main, fall_back = folders()
    own = (_letters_of(main / f"AtkinsonHyperlegible-{weight}.ttf") for weight in ("Regular", "Bold"))
    return frozenset.intersection(*own) | _letters_of(next(fall_back.glob("NotoSans[[]*.ttf")))


def _letters_of(file: Path) -> frozenset[int]:
    from fontTools.ttLib import TTFont

    with TTFont(file, lazy=True) as font:
        return frozenset(font.getBestCmap())


def printable(text: str) -> str:
    """The text with every letter that no font has, and every control sign, written as its code point: ``[U+5317]``.

    Two labels that differ stay different on paper.
    """
    if text.isascii() and text.isprintable():
        return text
    known = letters()
    return "".join(one if ord(one) in known and one.isprintable() else f"[U+{ord(one):04X}]" for one in text)
