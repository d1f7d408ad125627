"""Results kept ward by ward, so that a long study can be stopped and taken up again; and tables in Markdown."""

from __future__ import annotations

import argparse
import hashlib
import json
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from time import perf_counter
from typing import Any

SOURCE = Path(__file__).resolve().parents[2] / "src" / "airyoke"

Record = dict[str, Any]


def source_state() -> str:
    """A short name of the product's source as it stands on the disk."""
    digest = hashlib.blake2b(digest_size=4)
    for file in sorted(SOURCE.rglob("*.py")):
        digest.update(file.read_bytes())
    return digest.hexdigest()


def parser(text: str, *, wards: int, seed: int) -> argparse.ArgumentParser:
    """What every study takes from its command line."""
    made = argparse.ArgumentParser(description=text)
    made.add_argument("--wards", type=int, default=wards, help="how many wards")
    made.add_argument("--seed", type=int, default=seed, help="number of the first ward")
    made.add_argument("--beds", type=int, default=40, help="beds of a ward")
    made.add_argument("--results", type=Path, help="JSON lines, one a ward: taken up again where it was left")
    return made


def each_ward(
    seeds: Iterable[int], study: Callable[[int], Record], results: Path | None, **fixed: object
) -> list[Record]:
    """The record of every ward: from ``results`` where it stands there with the same ``fixed``, else studied now."""
    known: dict[int, Record] = {}
    if results is not None and results.exists():
        for line in results.read_text().splitlines():
            record = json.loads(line)
            if record["fixed"] == json.loads(json.dumps(fixed)):
                known[record["seed"]] = record
    found = []
    state = source_state()
    for seed in seeds:
        if seed not in known:
            started = perf_counter()
            record = {"seed": seed, "fixed": fixed, "source": state, **study(seed)}
            record["seconds"] = round(perf_counter() - started, 1)
            known[seed] = record
            if results is not None:
                with results.open("a") as file:
                    file.write(json.dumps(record) + "\n")
        found.append(known[seed])
    return found


def heading(what: str, records: Sequence[Record]) -> str:
    """What a table stands on: date, count, seeds, the states of the source, and how long it took."""
    seeds = [r["seed"] for r in records]
    states = sorted({r["source"] for r in records})
    minutes = sum(r["seconds"] for r in records) / 60.0
    return (
        f"{what}. {len(records)} wards, seeds {min(seeds)} to {max(seeds)}; {datetime.now(UTC):%Y-%m-%d}; "
        f"source {', '.join(states)}; {minutes:.1f} min."
    )


def table(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A Markdown table; numbers with a fraction get two decimals."""
    lines = ["| " + " | ".join(columns) + " |", "|" + "---|" * len(columns)]
    for row in rows:
        lines.append("| " + " | ".join(f"{x:.2f}" if isinstance(x, float) else str(x) for x in row) + " |")
    return "\n".join(lines)
