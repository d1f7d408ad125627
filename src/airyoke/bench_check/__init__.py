"""Does the thing that was assembled behave? Readings to expect of a build before a patient is near it, judged when they
are typed back, and what a part that was turned round or forgotten would do.
"""

from airyoke.bench_check.checks import (
    Check,
    bench_networks,
    bench_settings,
    bench_steps,
    breathe_bench,
    expected_checks,
    still_valid,
)
from airyoke.bench_check.effects import Effect, effect_of, without_valves
from airyoke.bench_check.mistakes import Slip, Suspect, judge, suspects
from airyoke.bench_check.report import CircuitReport, report_of
from airyoke.bench_check.test_lungs import TestLung, breathe, mechanics_of, usual_test_lungs

__all__ = [
    "Check",
    "CircuitReport",
    "Effect",
    "Slip",
    "Suspect",
    "TestLung",
    "bench_networks",
    "bench_settings",
    "bench_steps",
    "breathe",
    "breathe_bench",
    "effect_of",
    "expected_checks",
    "judge",
    "mechanics_of",
    "report_of",
    "still_valid",
    "suspects",
    "usual_test_lungs",
    "without_valves",
]
