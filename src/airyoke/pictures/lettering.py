"""Words on a drawing that keep off each other: the first place that is free is taken."""

from __future__ import annotations

from dataclasses import dataclass, field

from airyoke.pictures.style import text

LETTER = 0.56  # of the size, a generous mean width for these faces
Box = tuple[float, float, float, float]


@dataclass(slots=True)
class Lettering:
    """Collects the words of one drawing. ``taken`` may begin with boxes (left, top, right, bottom) of other things."""

    taken: list[Box] = field(default_factory=list)
    drawn: list[str] = field(default_factory=list)

    def put(
        self, x: float, y: float, words: str, size: float, anchor: str = "middle", kind: str = "",
        *, others: tuple[tuple[float, float], ...] = (), inside: Box | None = None,
    ) -> bool:  # fmt: skip
        """Write the words with their foot at ``x, y``, else at the first of the ``others`` that is free and ``inside``.

        False, and nothing is written, where no place is free.
        """
        for at_x, at_y in ((x, y), *others):
            box = box_of(at_x, at_y, words, size, anchor)
            if _free(box, self.taken) and (inside is None or _within(box, inside)):
                self.taken.append(box)
                self.drawn.append(text(at_x, at_y, words, size, anchor, kind))
                return True
        return False


def box_of(x: float, y: float, words: str, size: float, anchor: str) -> Box:
    """The space that a line of words takes."""
    width = LETTER * size * len(words)
    left = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * width
    return left, y - 0.78 * size, left + width, y + 0.22 * size


def wrapped(words: str, most: int) -> list[str]:
    """Words in lines of at most so many letters."""
    lines = [""]
    for word in words.split():
        longer = f"{lines[-1]} {word}".strip()
        if len(longer) <= most or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _free(box: Box, taken: list[Box]) -> bool:
    return not any(box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in taken)


def _within(box: Box, outer: Box) -> bool:
    return box[0] >= outer[0] and box[1] >= outer[1] and box[2] <= outer[2] and box[3] <= outer[3]
