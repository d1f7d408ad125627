"""Random calls over the whole API, signed in and out and in every role: no defect, no data without right.

``python -m tests.studies.api_calls --calls 20000`` counts them. The calls are made by schemathesis from the app's own
description, right and wrong ones.
"""

from __future__ import annotations

import argparse
import collections
import tempfile
import time
import warnings
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import httpx
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.strategies import booleans

from web.browser.conftest import Served, planned_app
from web.conftest import PASSWORD

NOBODY: Final = "nobody"
ROLES: Final = (NOBODY, "rob", "ann", "kim")
"""Not signed in; a reader, a writer and planner, a keeper."""
PATIENTS: Final = ("k21", "E1")
"""What must not be told to anybody who is not signed in: a patient's code, a bed."""


@dataclass(slots=True)
class Tally:
    """What came back: how many of each status, and every answer that should not have been."""

    by_status: collections.Counter[int] = field(default_factory=collections.Counter)
    defects: list[str] = field(default_factory=list)
    untold: list[str] = field(default_factory=list)
    """Answers of a form that the description does not give."""
    leaks: list[str] = field(default_factory=list)
    wrote: int = 0

    @property
    def calls(self) -> int:
        """All calls."""
        return self.by_status.total()


def run(served: Served, calls: int, at_seed: int) -> dict[str, Tally]:
    """``calls`` calls, each made by everybody, spread over the operations that take anything; the others once."""
    tallies = {who: Tally() for who in ROLES}
    before = served.record.state().sequence
    schema: Any = schemathesis.openapi.from_dict(description(served))
    operations = sorted((one.ok() for one in schema.get_all_operations()), key=takes_anything)
    group = first_group(served)
    with ExitStack() as open_clients:
        clients = {who: open_clients.enter_context(httpx.Client(base_url=served.url, timeout=60.0)) for who in ROLES}
        for who, client in clients.items():
            if who != NOBODY:
                sign_in(client, who)
        for number, operation in enumerate(operations):
            share = max(1, (calls - tallies[NOBODY].calls) // (len(operations) - number))
            strategy = operation.as_strategy(generation_mode=schemathesis.GenerationMode.POSITIVE) | (
                operation.as_strategy(generation_mode=schemathesis.GenerationMode.NEGATIVE)
            )

            @seed(at_seed + number)
            @settings(
                max_examples=share if takes_anything(operation) else 1, deadline=None, database=None,
                phases=[Phase.generate], suppress_health_check=list(HealthCheck),
            )  # fmt: skip
            @given(strategy, booleans())
            def one_call(case: Any, of_group: bool) -> None:
                if of_group and "ventilator" in (case.path_parameters or {}):
                    case.path_parameters["ventilator"] = group
                for who, client in clients.items():
                    judge(case, client, who, tallies[who])

            one_call()
    for tally in tallies.values():
        tally.wrote = served.record.state().sequence - before
    return tallies


def takes_anything(operation: Any) -> bool:
    """Whether calls of an operation can differ."""
    return bool(operation.definition.raw.get("parameters") or operation.definition.raw.get("requestBody"))


def description(served: Served) -> dict[str, Any]:
    """The app's own description, which itself needs a sign-in."""
    with httpx.Client(base_url=served.url) as client:
        sign_in(client, "kim")
        told: dict[str, Any] = client.get("/api/openapi.json").json()
    return told


def first_group(served: Served) -> str:
    """The ventilator of a group that is planned, so that some what-ifs reach the engine."""
    with httpx.Client(base_url=served.url) as client:
        sign_in(client, "kim")
        return str(client.get("/api/plan").json()["groups"][0]["ventilator"])


def sign_in(client: httpx.Client, name: str) -> None:
    """Sign in by the form."""
    form = {"name": name, "password": PASSWORD, "back": "/"}
    assert client.post("/sign-in", data=form, headers={"origin": str(client.base_url).rstrip("/")}).status_code == 303


def judge(case: Any, client: httpx.Client, who: str, tally: Tally) -> None:
    """Make one call and note what is wrong with its answer."""
    sent = case.as_transport_kwargs(base_url=str(client.base_url))
    sent.pop("cookies", None)
    if isinstance(sent.get("data"), (bytes, str)):
        sent["content"] = sent.pop("data")
    try:
        answer = client.request(**sent)
    except (UnicodeEncodeError, httpx.InvalidURL, httpx.LocalProtocolError):
        return  # such a line or header cannot be sent
    tally.by_status[answer.status_code] += 1
    shown = f"{case.method} {case.path} {answer.status_code}"
    if answer.status_code >= 500:
        tally.defects.append(f"{shown}: {sent.get('params')} {answer.text[:200]}")
        return
    if who == NOBODY and (answer.status_code != 401 or any(one in answer.text for one in PATIENTS)):
        tally.leaks.append(shown)
    schema = answers_of(case.operation).get(str(answer.status_code))
    if schema is None and answer.status_code not in (400, 405, 411, 413):  # the guard's, before any page
        tally.untold.append(f"{shown}: {answer.text[:200]}")


def answers_of(operation: Any) -> dict[str, Any]:
    """The answers that the description gives for an operation, by status."""
    return dict(operation.definition.raw["responses"])


def main() -> None:
    """Count over every role."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--calls", type=int, default=20_000, help="for each role")
    asked.add_argument("--seed", type=int, default=int(time.time()))
    args = asked.parse_args()
    warnings.filterwarnings("ignore")
    print(f"seed {args.seed}")
    with tempfile.TemporaryDirectory(prefix="airyoke-calls-") as folder, planned_app(Path(folder)) as served:
        began = time.monotonic()
        tallies = run(served, args.calls, args.seed)
        print(f"{time.monotonic() - began:.0f} s")
        for who, tally in tallies.items():
            print(f"{who}: {tally.calls} calls, {dict(tally.by_status)}; defects {len(tally.defects)}, untold answers "
                  f"{len(tally.untold)}, leaks {len(tally.leaks)}, entries written {tally.wrote}")  # fmt: skip
            for one in (*tally.defects[:5], *tally.untold[:5], *tally.leaks[:5]):
                print("   ", one)


if __name__ == "__main__":
    main()
