"""How a check is said: numbers, what is allowed, titles of the kinds."""

from __future__ import annotations

import math
from typing import Final

from airyoke.contract.verify_answer import CheckRow, Kind, ToleranceAnswer

KIND_TITLES: Final[dict[Kind, tuple[str, str]]] = {
    "formula vector": (
        "Formulas of one patient",
        "Against numbers printed in the source, or worked out from its formula apart from this code.",
    ),
    "closed form": (
        "The breath where it is known on paper",
        "The engine against textbook solutions, on a circuit of next to no resistance and volume.",
    ),
    "law": ("Laws", "What must hold whatever the numbers."),
    "LSODA": (
        "The breath solved by other means",
        "Same lungs, and a circuit in plain numbers (about 2 mL/cmH2O a patient, valves that open at 0.5 cmH2O); "
        "equations written out again, valves hard-edged, a general-purpose solver. Answers are kept with the tool.",
    ),
    "ngspice": (
        "Builds as electrical circuits",
        "Each part of the pick list becomes an element; the engine's own reading of the build is not used.",
    ),
    "library": ("Gas, hoses, orifices", "Against general reference libraries."),
    "published bench (predicted)": (
        "Published benches, predicted",
        "Figures of test lungs on one ventilator that nothing was fitted to.",
    ),
    "published bench (fitted, does not count)": (
        "Published benches, fitted",
        "What was taken from the benches to predict the rows above; proves nothing and is not counted.",
    ),
    "published apnoea": (
        "Apnoea as published",
        "People without lung disease, whose breathing had stopped; their bodies are assumed where the abstract is "
        "silent. Allowed is the paper's own spread where it gives one.",
    ),
    "sign test": (
        "Direction",
        "Papers that say which way something goes; lungs, settings and the least size asked for are our own.",
    ),
}


def number_words(value: float | None) -> str:
    """Five significant digits, four where they would be long; "-" where there is no number."""
    if value is None:
        return "-"
    if value == 0.0:
        return "0"
    if abs(value) < 1e-4:
        return f"{value:.0e}"
    long = f"{value:.5g}"
    return long if len(long) <= 8 else f"{value:.3g}"


def difference_words(row: CheckRow) -> str:
    """How far off the value nearest to failing is, as finely as what is allowed; in per cent where that is."""
    if row.difference is None or row.worst is None or row.tolerance.side != "both":
        return ""
    expected = row.values[row.worst].expected
    if expected and _relative(row.tolerance, expected):
        return f"{_as_fine(100.0 * row.difference / expected, 100.0 * row.tolerance.relative)} %"
    return _as_fine(row.difference, row.tolerance.absolute)


def allowed_words(row: CheckRow) -> str:
    """What is allowed, as the difference is said."""
    expected = row.values[row.worst].expected if row.worst is not None else None
    tolerance = row.tolerance
    if tolerance.side == "both" and tolerance.relative and tolerance.absolute:
        binding = (
            ToleranceAnswer(absolute=0.0, relative=tolerance.relative, side="both")
            if _relative(tolerance, expected)
            else ToleranceAnswer(absolute=tolerance.absolute, relative=0.0, side="both")
        )
        return tolerance_words(binding, "")
    return tolerance_words(tolerance, "")


def tolerance_words(tolerance: ToleranceAnswer, unit: str) -> str:
    """The whole rule, whichever part of it binds."""
    if tolerance.side != "both":
        return "at least" if tolerance.side == "low" else "at most"
    parts = [f"{100.0 * tolerance.relative:.3g} %"] if tolerance.relative else []
    if tolerance.absolute:
        parts.append(f"{tolerance.absolute:.2g} {unit}".rstrip())
    return " or ".join(parts) or "exact"


def summary_words(passed: int, failed: int, not_run: int, fitted: int) -> str:
    """The counts in a line."""
    return f"{passed} hold, {failed} fail, {not_run} not run; {fitted} figures were fitted and do not count."


def _as_fine(difference: float, allowed: float) -> str:
    """With two digits more than what is allowed begins with; 0 where nothing is left of it."""
    if allowed == 0.0:
        return number_words(difference)
    decimals = max(0, 1 - math.floor(math.log10(allowed)))
    if decimals > 5:
        return f"{difference:+.0e}" if abs(difference) > allowed / 100.0 else "0"
    text = f"{difference:+.{decimals}f}"
    return text if float(text) else "0"


def _relative(tolerance: ToleranceAnswer, expected: float | None) -> bool:
    """Whether the relative part of the tolerance is the wider one at this value."""
    if not tolerance.relative:
        return False
    return expected is None or tolerance.relative * abs(expected) >= tolerance.absolute
