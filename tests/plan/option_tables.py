"""Invented tables of options: no patients, no engine, only the choice; full of ties and of things that run short."""

from __future__ import annotations

from itertools import combinations
from random import Random

from airyoke.plan.options import Choices, Option

# Many equal ones, some a millionth apart, some around the 0.10 that may be given up for fewer breaks.
TIED_MARGINS = (
    0.0, 0.0, 4e-7, 0.05, 0.1, 0.1, 0.100001, 0.15, 0.2, 0.2, 0.200001, 0.25, 0.3, 0.3, 0.349999, 0.35, 0.4, 1.25,
)  # fmt: skip
PARTS = ("valve", "filter", "wye")


def random_table(seed: int) -> Choices:
    """The table of that number, the same each time."""
    rng = Random(f"options {seed}")
    beds = rng.randint(1, 8)
    ventilators = rng.choice((0, 1, 2, 3, 3, 4, 4, 5, 6))
    usable = ventilators if rng.random() < 0.5 else rng.randint(0, ventilators)
    tied = rng.random() < 0.6
    largest = rng.choice((2, 2, 3, 3, 4))
    alike = rng.random() < 0.5  # machines of one class: the same group has the same margin on each
    density = rng.choice((0.15, 0.4, 0.8))
    options: list[Option] = []
    for bed in range(beds):
        if ventilators and rng.random() < 0.1:
            if rng.random() < 0.7:
                options.append(Option((bed,), -1, None, 0, 0))
            continue
        at = rng.randrange(-1, ventilators) if ventilators else -1
        for v in range(ventilators):
            if rng.random() < 0.85:
                options.append(Option((bed,), v, None, 0, int(v != at)))
    for size in range(2, min(largest, beds) + 1):
        for members in combinations(range(beds), size):
            if rng.random() > density / (size - 1) ** 2:
                continue
            margin, needs = _margin(rng, tied), rng.choice((0, 0, 0, 1, 1, 2))
            for v in range(ventilators):
                if rng.random() < 0.15:
                    continue
                on_this = margin if alike else _margin(rng, tied)
                breaks = rng.randint(0, size)
                options.append(Option(members, v, on_this, needs, breaks, _parts(rng, size)))
    rng.shuffle(options)
    return Choices(
        beds, tuple(options), ventilators, usable, _stock(rng), tuple(rng.choice((0, 1, 1)) for _ in range(beds))
    )


def _margin(rng: Random, tied: bool) -> float:
    return rng.choice(TIED_MARGINS) if tied else rng.random() * 1.2


def _parts(rng: Random, size: int) -> tuple[tuple[str, int], ...]:
    parts = (("valve", 2 * size), ("filter", size + 1), ("wye", 3 * size - 2))
    return parts if rng.random() < 0.9 else parts[:1]


def _stock(rng: Random) -> dict[str, int] | None:
    kind = rng.random()
    if kind < 0.35:
        return None
    if kind < 0.5:
        return dict.fromkeys(PARTS, 99)
    stock = {"valve": rng.randint(0, 12), "filter": rng.randint(0, 9), "wye": rng.randint(0, 12)}
    if kind > 0.9:
        del stock[rng.choice(PARTS)]
    return stock
