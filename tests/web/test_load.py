"""The short form of the ward's load; the figures that are told stand in docs/proof.md."""

from __future__ import annotations

from pathlib import Path

from studies.ward_load import run


def test_people_who_write_at_once_lose_no_entry_and_meet_no_error(tmp_path: Path) -> None:
    seen, lost, _, _ = run(tmp_path, people=6, writes_per_s=4.0, seconds=6.0, at_seed=3)
    assert len(seen.acknowledged) >= 8
    assert (lost, seen.errors) == (0, [])
