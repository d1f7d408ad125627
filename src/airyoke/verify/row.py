"""One line of the table: what is checked, against what, how far off it may be, and what came out."""

from __future__ import annotations

import importlib.metadata
import importlib.util
import math
import re
import shutil
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from airyoke.contract.verify_answer import Kind, Side, Verdict

Tool = Literal["scipy", "ngspice", "CoolProp", "fluids"]

FITTED: Final[Kind] = "published bench (fitted, does not count)"

TOOLS: Final[tuple[Tool, ...]] = ("scipy", "ngspice", "CoolProp", "fluids")
_WHERE_FROM: Final[dict[Tool, str]] = {
    "scipy": "the Python package scipy",
    "ngspice": "the Debian package ngspice",
    "CoolProp": "the Python package CoolProp",
    "fluids": "the Python package fluids",
}

Compared = tuple[Sequence[float], Sequence[float]]
"""Expected values, and what came out."""


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far a value may be from the expected one: the larger of ``absolute`` (in its unit) and ``relative``.

    ``side`` ``low``: the expected value is the least that will do; ``high``: the most. Both have no slack.
    """

    absolute: float = 0.0
    relative: float = 0.0
    side: Side = "both"

    def allowed(self, expected: float) -> float:
        """The largest difference that passes, in the unit of the value."""
        return max(self.absolute, self.relative * abs(expected))

    def excess(self, expected: float, got: float) -> float:
        """How much of what is allowed is used up: above 1 fails. Not a number fails."""
        if not (math.isfinite(expected) and math.isfinite(got)):
            return math.inf
        if self.side != "both":
            room = got - expected if self.side == "low" else expected - got
            return 2.0 if room < 0.0 else max(0.0, 1.0 - room / max(abs(expected), 1e-12))
        difference, allowed = abs(got - expected), self.allowed(expected)
        if allowed == 0.0:
            return 0.0 if difference == 0.0 else math.inf
        return difference / allowed


@dataclass(frozen=True, slots=True)
class Row:
    """A check that was made, or could not be. The verdict follows from the numbers and is stored nowhere."""

    id: str
    kind: Kind
    what: str
    source: str
    setup: str
    unit: str
    labels: tuple[str, ...]
    expected: tuple[float, ...]
    got: tuple[float, ...]
    tolerance: Tolerance
    reason: str | None = None
    ran: bool = True

    @property
    def worst(self) -> int | None:
        """Which of the values is nearest to failing; ``None`` where there are none."""
        if not self.got or len(self.got) != len(self.expected):
            return None
        pairs = zip(self.expected, self.got, strict=True)
        excesses = [self.tolerance.excess(expected, got) for expected, got in pairs]
        return max(range(len(excesses)), key=excesses.__getitem__)

    @property
    def verdict(self) -> Verdict:
        """``pass`` where every value is inside its tolerance."""
        if not self.ran:
            return "not run"
        worst = self.worst
        if worst is None:
            return "fail"
        return "pass" if self.tolerance.excess(self.expected[worst], self.got[worst]) <= 1.0 else "fail"

    @property
    def counts(self) -> bool:
        """Whether it speaks for the tool: a figure that something was fitted to does not."""
        return self.kind != FITTED

    @property
    def difference(self) -> float | None:
        """Got less expected, of the value nearest to failing."""
        worst = self.worst
        return None if worst is None else self.got[worst] - self.expected[worst]


@dataclass(frozen=True, slots=True)
class Check:
    """A row to be: ``compute`` gives the expected values and ours when it is run.

    ``needs``: the outside tools without which it cannot run.
    """

    id: str
    kind: Kind
    what: str
    source: str
    unit: str
    tolerance: Tolerance
    compute: Callable[[], Compared]
    setup: str = ""
    labels: tuple[str, ...] = ()
    needs: tuple[Tool, ...] = ()

    def run(self) -> Row:
        """Make the check. A tool that is missing gives ``not run``, an error inside a failed row with its words."""
        missing = [_WHERE_FROM[tool] for tool in self.needs if not has(tool)]
        if missing:
            return self._row((), (), f"needs {' and '.join(missing)}", ran=False)
        try:
            expected, got = self.compute()
        except Exception as error:  # one broken check must not hide the others
            return self._row((), (), f"{type(error).__name__}: {error}")
        return self._row(tuple(map(float, expected)), tuple(map(float, got)))

    def _row(
        self, expected: tuple[float, ...], got: tuple[float, ...], reason: str | None = None, *, ran: bool = True
    ) -> Row:
        return Row(
            id=self.id,
            kind=self.kind,
            what=self.what,
            source=self.source,
            setup=self.setup,
            unit=self.unit,
            labels=self.labels,
            expected=expected,
            got=got,
            tolerance=self.tolerance,
            reason=reason,
            ran=ran,
        )


def has(tool: Tool) -> bool:
    """Whether the tool is installed here."""
    if tool == "ngspice":
        return shutil.which("ngspice") is not None
    return importlib.util.find_spec(tool) is not None


def version_of(tool: Tool) -> str | None:
    """The version that is installed here; ``None`` where the tool is not."""
    if not has(tool):
        return None
    if tool != "ngspice":
        return importlib.metadata.version(tool)
    said = subprocess.run(["ngspice", "--version"], capture_output=True, text=True, timeout=20, check=False).stdout
    found = re.search(r"ngspice-(\S+)", said)
    return found.group(1) if found else "unknown"


def vector(
    name: str,
    what: str,
    source: str,
    unit: str,
    expected: Sequence[float],
    tolerance: Tolerance,
    ours: Callable[[], Sequence[float]],
    labels: tuple[str, ...] = (),
) -> Check:
    """A formula of ours against numbers that stand in ``source`` or were worked out apart from this code."""
    return Check(name, "formula vector", what, source, unit, tolerance, lambda: (expected, ours()), labels=labels)
