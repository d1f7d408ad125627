"""A page of text for people: at most 100 columns, plain letters and no control codes where it is piped."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from rich.cells import cell_len

MAX_WIDTH: Final = 100
MIN_WIDTH: Final = 80

Style = Literal["", "strong", "quiet"]
_CODES: Final[dict[Style, str]] = {"": "", "strong": "\x1b[1m", "quiet": "\x1b[2m"}
_END: Final = "\x1b[0m"

# Where the output is a file or a pipe, or cannot show them, these letters are spelled out.
_PLAIN: Final = str.maketrans(
    {
        "→": "->",
        "±": "+-",
        "·": ".",
        "²": "2",
        "₂": "2",
        "°": "deg ",
        "≥": ">=",
        "≤": "<=",
        "–": "-",
        "−": "-",
        "…": "...",
        "µ": "u",
        "×": "x",
        "─": "-",
        "━": "=",
        "┃": "#",
        "│": "|",
        "┄": ".",
    }
)


@dataclass(frozen=True, slots=True)
class Span:
    """Some text in one style. Styles never carry a meaning of their own."""

    text: str
    style: Style = ""


Line = tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table: heading, side, and the width beyond which its cells are wrapped."""

    heading: str
    right: bool = False
    wrap: bool = False


@dataclass(slots=True)
class Page:
    """Lines as they are put together. ``width`` in columns; ``letters`` false spells special letters out."""

    width: int = MAX_WIDTH
    letters: bool = False
    styled: bool = False
    lines: list[Line] = field(default_factory=list)

    def line(self, *spans: Span | str) -> None:
        """One line as it is; whoever builds it keeps it inside the width."""
        self.lines.append(tuple(Span(one) if isinstance(one, str) else one for one in spans))

    def blank(self) -> None:
        """An empty line, never two of them."""
        if self.lines and self.lines[-1]:
            self.lines.append(())

    def text(self, text: str, indent: int = 0, hang: int | None = None, style: Style = "") -> None:
        """A paragraph, wrapped; ``hang`` is the indent of its further lines."""
        further = indent if hang is None else hang
        for row in textwrap.wrap(
            self.spelled(text),
            self.width,
            initial_indent=" " * indent,
            subsequent_indent=" " * further,
            break_on_hyphens=False,
        ):
            self.line(Span(row, style))

    def item(self, text: str, indent: int = 2) -> None:
        """One point of a list."""
        self.text(f"- {text}", indent, indent + 2)

    def title(self, text: str) -> None:
        """The name of the page, ruled off."""
        self.line(Span(self.spelled(text), "strong"))
        self.line(Span(self.spelled("─" * self.width), "quiet"))

    def heading(self, text: str) -> None:
        """The name of a part."""
        self.blank()
        for row in textwrap.wrap(self.spelled(text), self.width):
            self.line(Span(row, "strong"))

    def part(self, text: str) -> None:
        """The name of a large part, with a rule up to the edge."""
        self.blank()
        name = self.spelled(text)[: self.width - 6]
        rule = self.spelled("─" * max(self.width - cell_len(name) - 4, 0))
        self.line(Span(self.spelled("── "), "quiet"), Span(name, "strong"), Span(f" {rule}", "quiet"))

    def table(self, columns: Sequence[Column], rows: Sequence[Sequence[str]], indent: int = 2) -> None:
        """Columns of words; the columns marked ``wrap`` share what width is left."""
        cells = [[self.spelled(cell) for cell in row] for row in rows]
        heads = [self.spelled(column.heading) for column in columns]
        widths = [max(cell_len(text) for text in (head, *(row[i] for row in cells))) for i, head in enumerate(heads)]
        gap = 2
        wrapped = [i for i, column in enumerate(columns) if column.wrap]
        fixed = indent + gap * (len(columns) - 1) + sum(w for i, w in enumerate(widths) if i not in wrapped)
        left = self.width - fixed
        for i, share in zip(wrapped, _shares([widths[i] for i in wrapped], left), strict=True):
            widths[i] = share
        if any(heads):
            self._row(columns, heads, widths, indent, "quiet")
        for row in cells:
            self._row(columns, row, widths, indent, "")

    def _row(self, columns: Sequence[Column], row: Sequence[str], widths: list[int], indent: int, style: Style) -> None:
        parts = [
            textwrap.wrap(cell, width, break_on_hyphens=False) or [""] if column.wrap else [cell]
            for column, cell, width in zip(columns, row, widths, strict=True)
        ]
        for i in range(max(len(part) for part in parts)):
            words = [
                padded(part[i] if i < len(part) else "", width, right=column.right)
                for column, part, width in zip(columns, parts, widths, strict=True)
            ]
            self.line(Span((" " * indent + "  ".join(words)).rstrip(), style))

    def spelled(self, text: str) -> str:
        """``text`` as this page may show it: printable, with special letters spelled out where needed."""
        clean = "".join(letter if letter.isprintable() else "?" for letter in text)
        return clean if self.letters else clean.translate(_PLAIN)

    def rendered(self) -> str:
        """The whole page, without trailing spaces."""
        rows = []
        for line in self.lines:
            spans = list(line)
            while spans and not spans[-1].text.rstrip():
                spans.pop()
            if spans:
                spans[-1] = Span(spans[-1].text.rstrip(), spans[-1].style)
            rows.append("".join(self._styled(span) for span in spans))
        return "\n".join(rows).strip("\n") + "\n"

    def _styled(self, span: Span) -> str:
        if not self.styled or not span.style:
            return span.text
        return f"{_CODES[span.style]}{span.text}{_END}"


def _shares(wanted: list[int], left: int) -> list[int]:
    """Widths of wrapped columns: what each wants, or a fair part of what there is."""
    if sum(wanted) <= left:
        return wanted
    shares = [0] * len(wanted)
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    for place, i in enumerate(order):
        fair = max(left // (len(order) - place), 8)
        shares[i] = min(wanted[i], fair)
        left -= shares[i]
    return shares


def short(label: str, most: int = 12) -> str:
    """A label for a column of a table, where a long one would push out the numbers."""
    return label if len(label) <= most else label[: most - 2] + ".."


def padded(text: str, width: int, *, right: bool = False) -> str:
    """``text`` filled with spaces to ``width`` columns; wide letters count as two."""
    space = " " * max(width - cell_len(text), 0)
    return space + text if right else text + space


def page_for_stdout() -> Page:
    """A page that suits where stdout goes: styles and special letters only on a terminal that has them."""
    terminal = sys.stdout.isatty()
    width = min(MAX_WIDTH, max(shutil.get_terminal_size().columns, MIN_WIDTH)) if terminal else MAX_WIDTH
    encoding = (getattr(sys.stdout, "encoding", None) or "").lower().replace("-", "")
    return Page(width=width, letters=terminal and encoding == "utf8", styled=terminal and _wants_styles())


def _wants_styles() -> bool:
    import os

    return not os.environ.get("NO_COLOR") and os.environ.get("TERM", "") not in ("", "dumb")


def print_page(page: Page) -> None:
    """Write the page to stdout."""
    sys.stdout.write(page.rendered())
