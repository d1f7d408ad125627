"""The whole table once for all tests of this folder."""

from __future__ import annotations

import pytest

from airyoke.verify.table import Table, run_checks


@pytest.fixture(scope="session")
def table() -> Table:
    return run_checks()
