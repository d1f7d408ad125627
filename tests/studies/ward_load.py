"""A ward's worth of people at once on one served record: how long answers take, and whether any entry was lost.

``python -m tests.studies.ward_load --people 50 --writes-per-s 5 --minutes 10``. The server is a process of its own;
the people are here, each signed in. Every page that is open asks for changes every five seconds as a browser does;
now and then somebody opens another page, and readings are written.
"""

from __future__ import annotations

import argparse
import asyncio
import collections
import json
import random
import re
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import httpx
import numpy as np

from airyoke.record import Record
from airyoke.record.people import add_person
from airyoke.record.space import SpaceRules
from web.conftest import PASSWORD, demo_record

ASKS_EVERY_S: Final = 5.0
OPENS_EVERY_S: Final = 15.0
BEDS: Final = ("E1", "E2", "E3", "W1", "W2")


@dataclass(slots=True)
class Seen:
    """What came back to everybody: seconds by kind of request; what was acknowledged, as (bed, value)."""

    took_s: dict[str, list[float]] = field(default_factory=lambda: collections.defaultdict(list))
    errors: list[str] = field(default_factory=list)
    acknowledged: list[tuple[str, float]] = field(default_factory=list)
    conflicts: int = 0

    def all_s(self) -> np.ndarray:
        """Every answer's seconds."""
        return np.concatenate([np.asarray(one) for one in self.took_s.values()])


async def timed(client: httpx.AsyncClient, seen: Seen, kind: str, path: str, form: dict[str, str] | None = None
                ) -> httpx.Response | None:  # fmt: skip
    """One request, its time noted; an answer that should not be is an error."""
    began = time.perf_counter()
    try:
        answer = await (client.get(path) if form is None else client.post(path, data=form))
    except httpx.HTTPError as error:
        seen.errors.append(f"{kind}: {error!r}")
        return None
    seen.took_s[kind].append(time.perf_counter() - began)
    if answer.status_code not in ((200,) if form is None else (303, 409)):
        seen.errors.append(f"{kind} {path}: {answer.status_code} {answer.text[-300:]}")
    return answer


async def look_on(client: httpx.AsyncClient, seen: Seen, until: float, chance: random.Random) -> None:
    """One person with a page open."""
    sequence = 0
    next_page = time.monotonic() + chance.uniform(0, OPENS_EVERY_S)
    await asyncio.sleep(chance.uniform(0, ASKS_EVERY_S))
    while time.monotonic() < until:
        if time.monotonic() >= next_page:
            path = chance.choice(["/", *(f"/beds/{bed}" for bed in BEDS), "/record"])
            await timed(client, seen, "page", path)
            next_page += OPENS_EVERY_S
        answer = await timed(client, seen, "changes", f"/changes?since={sequence}")
        if answer is not None and answer.status_code == 200:
            sequence = answer.json()["sequence"]
        await asyncio.sleep(ASKS_EVERY_S)


async def write_on(client: httpx.AsyncClient, seen: Seen, until: float, every_s: float, chance: random.Random) -> None:
    """One person who types temperatures."""
    number = 0
    due = time.monotonic() + chance.uniform(0, every_s)
    while max(due, time.monotonic()) < until:
        await asyncio.sleep(max(0.0, due - time.monotonic()))
        due += every_s
        bed = chance.choice(BEDS)
        page = await timed(client, seen, "page", f"/beds/{bed}")
        if page is None or page.status_code != 200:
            continue
        number += 1
        value = round(36.5 + chance.uniform(0.0, 2.0), 3)
        form = {"token": _hidden(page.text, "token"), "seen": _hidden(page.text, "seen"),
                "read_at": time.strftime("%Y-%m-%dT%H:%M"), "temperature_c": f"{value}"}  # fmt: skip
        answer = await timed(client, seen, "write", f"/beds/{bed}/readings", form)
        if answer is not None and answer.status_code == 303:
            seen.acknowledged.append((bed, value))
        elif answer is not None and answer.status_code == 409:
            seen.conflicts += 1


def _hidden(html: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', html)
    assert found is not None, name
    return found.group(1)


async def everybody(url: str, seen: Seen, *, people: int, writes_per_s: float, seconds: float, at_seed: int) -> None:
    """All people for so long, after all are signed in."""
    limits = httpx.Limits(max_connections=2, max_keepalive_connections=2)
    clients = [httpx.AsyncClient(base_url=url, timeout=30.0, limits=limits) for _ in range(people)]
    for number, client in enumerate(clients):
        form = {"name": f"n{number}", "password": PASSWORD, "back": "/"}
        answer = await client.post("/sign-in", data=form)
        assert answer.status_code == 303, answer.text
    until = time.monotonic() + seconds
    chance = random.Random(at_seed)
    tasks = [look_on(one, seen, until, random.Random(chance.random())) for one in clients]
    writers = clients[: max(1, people // 2)]
    every_s = len(writers) / writes_per_s
    tasks += [write_on(one, seen, until, every_s, random.Random(chance.random())) for one in writers]
    await asyncio.gather(*tasks)
    for client in clients:
        await client.aclose()


def memory_mib(process: int) -> float:
    """Resident memory of a process and its children."""
    total = 0.0
    for one in [process, *_children(process)]:
        status = Path(f"/proc/{one}/status")
        if status.exists():
            found = re.search(r"VmRSS:\s+(\d+) kB", status.read_text())
            total += int(found.group(1)) / 1024 if found else 0.0
    return total


def _children(process: int) -> list[int]:
    listed = Path(f"/proc/{process}/task/{process}/children")
    return [int(one) for one in listed.read_text().split()] if listed.exists() else []


def run(folder: Path, *, people: int, writes_per_s: float, seconds: float, at_seed: int) -> tuple[Seen, int, float, float]:
    """What was seen, how many acknowledged entries the record lacks, and the server's MiB after the first fifth of the
    time and at the end."""
    with demo_record(folder) as record:
        for number in range(people):
            add_person(record, f"n{number}", ["writer"], PASSWORD, by="kim")
    file = folder / "ward.airyoke"
    command = [sys.executable, "-m", "airyoke", "serve", "--record", str(file), "--no-open", "--json"]
    seen = Seen()
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        url = json.loads(server.stdout.readline())["url"].rstrip("/")
        while httpx.get(f"{url}/health").json()["engine"] != "ready":
            time.sleep(0.5)

        async def with_memory() -> float:
            work = asyncio.create_task(
                everybody(url, seen, people=people, writes_per_s=writes_per_s, seconds=seconds, at_seed=at_seed)
            )
            await asyncio.sleep(seconds / 5.0)
            early = memory_mib(server.pid)
            await work
            return early

        try:
            with ThreadPoolExecutor(1) as apart:  # whoever calls may have an event loop of its own
                early = apart.submit(asyncio.run, with_memory()).result()
            late = memory_mib(server.pid)
        finally:
            server.terminate()
    with Record.open(file, space=SpaceRules(0, 0, 0)) as record:
        kept = collections.Counter(
            (str(one.content.get("bed")), float(value))
            for one in record.entries()
            if one.kind == "reading"
            for value in [(one.content.get("values") or {}).get("temperature_c")]
            if value is not None
        )
    lost = collections.Counter(seen.acknowledged) - kept
    return seen, lost.total(), early, late


def main() -> None:
    """Count and time."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--people", type=int, default=50)
    asked.add_argument("--writes-per-s", type=float, default=5.0)
    asked.add_argument("--minutes", type=float, default=10.0)
    asked.add_argument("--seed", type=int, default=int(time.time()))
    args = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="airyoke-load-") as folder:
        seen, lost, early, late = run(
            Path(folder), people=args.people, writes_per_s=args.writes_per_s, seconds=args.minutes * 60.0,
            at_seed=args.seed,
        )  # fmt: skip
    print(f"seed {args.seed}, {args.people} people, {args.minutes:g} min")
    for kind, took in [*seen.took_s.items(), ("all", list(seen.all_s()))]:
        p50, p95, p99 = np.percentile(took, [50, 95, 99]) * 1000.0
        print(f"{kind}: {len(took)}, p50 {p50:.0f} ms, p95 {p95:.0f} ms, p99 {p99:.0f} ms, worst {max(took) * 1000:.0f} ms")
    print(f"written {len(seen.acknowledged)}, shown as a conflict {seen.conflicts}, lost {lost}, errors {len(seen.errors)}; "
          f"memory {early:.0f} -> {late:.0f} MiB")  # fmt: skip
    for one in seen.errors[:5]:
        print("   ", one)


if __name__ == "__main__":
    main()
