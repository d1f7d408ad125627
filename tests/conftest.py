"""Rules for the whole test run."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

# Machines here are shared: a slow example is no defect. The seed is fresh each run and printed on failure.
settings.register_profile("airyoke", deadline=None, print_blob=True)
settings.load_profile("airyoke")


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Where the gate runs, a test that lacks its tool is a failure, not a skip."""
    if report.skipped and os.environ.get("AIRYOKE_NO_SKIPS") and "Debian package" in str(report.longrepr):
        report.outcome = "failed"
