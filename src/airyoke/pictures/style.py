"""Inks, line patterns and type of every drawing, by light, by night and on paper.

Colours of the lanes are those of Okabe and Ito (2008), told apart by the colour-blind, darkened where a thin line needs
it; they come last: letter, pattern and place say the same. Red, yellow and cyan are kept for real alarms.
"""

from __future__ import annotations

from dataclasses import dataclass
from xml.sax.saxutils import escape

FONT = "'Atkinson Hyperlegible', 'Noto Sans', 'DejaVu Sans', sans-serif"
LANES = "ABCD"


@dataclass(frozen=True, slots=True)
class Pattern:
    """How a lane's line is drawn: the words for it, and dashes for a stroke of width 1 with round caps."""

    words: str
    dashes: str


PATTERNS = {
    "A": Pattern("solid line", ""),
    "B": Pattern("long dashes", "5 2.6"),
    "C": Pattern("dots", "0.01 2.2"),
    "D": Pattern("dash and dot", "4.4 2.2 0.01 2.2"),
}


def dashes(lane: str, width: float) -> str:
    """The ``stroke-dasharray`` of a lane's line of that width; empty for a solid one."""
    pattern = PATTERNS[lane].dashes if lane in PATTERNS else ""
    return " ".join(f"{float(number) * width:.4g}" for number in pattern.split())


# Light, night, print. Print is ink only, so that a grey printer loses nothing.
INKS: dict[str, tuple[str, str, str]] = {
    "paper": ("#ffffff", "#14181c", "#ffffff"),
    "ink": ("#1a1f24", "#e6e9ec", "#000000"),
    "quiet": ("#59636c", "#a3adb6", "#444444"),
    "pipe": ("#dfe4e8", "#2c343b", "#e4e4e4"),
    "edge": ("#7b868f", "#7d8993", "#666666"),
    "lane-a": ("#00639c", "#56b4e9", "#000000"),
    "lane-b": ("#b24c00", "#e69f00", "#000000"),
    "lane-c": ("#00785a", "#2fc79a", "#000000"),
    "lane-d": ("#9c4a7c", "#e08fc0", "#000000"),
}


def sheet(theme: str) -> str:
    """The style element: ``auto`` follows the system and the printer, ``light``, ``dark`` and ``print`` are fixed."""
    places = {"light": 0, "dark": 1, "print": 2}
    if theme in places:
        return f"<style>{_inks(places[theme])}{_RULES}</style>"
    night, paper = _inks(1), _inks(2)
    media = f"@media screen and (prefers-color-scheme:dark){{{night}}}@media print{{{paper}}}"
    return f"<style>{_inks(0)}{media}{_RULES}</style>"


def _inks(place: int) -> str:
    return ".air{" + "".join(f"--{name}:{inks[place]};" for name, inks in INKS.items()) + "}"


_RULES = (
    f".air{{font-family:{FONT};background:var(--paper)}}"
    ".air text{fill:var(--ink)}.air .q{fill:var(--quiet)}.air .b{font-weight:700}"
    ".air .paper{fill:var(--paper)}.air .pipe{stroke:var(--pipe);fill:none}.air .edge{stroke:var(--edge);fill:none}"
    ".air .box{fill:var(--paper);stroke:var(--ink)}.air .ink{stroke:var(--ink);fill:none}.air .fill{fill:var(--ink)}"
    ".air .la{stroke:var(--lane-a)}.air .lb{stroke:var(--lane-b)}.air .lc{stroke:var(--lane-c)}"
    ".air .ld{stroke:var(--lane-d)}.air .l{fill:none;stroke-linecap:round;stroke-linejoin:round}"
    ".air .dot{fill:var(--paper)}.air .bed{fill:var(--pipe)}"
)


def text(x: float, y: float, words: str, size: float, anchor: str = "middle", kind: str = "") -> str:
    """One line of words."""
    cls = f' class="{kind}"' if kind else ""
    return f'<text x="{x:.4g}" y="{y:.4g}" font-size="{size:g}" text-anchor="{anchor}"{cls}>{escape(words)}</text>'
