"""`airyoke predict CASE --room-left FILE.svg`: how far two compliances may go together."""

from __future__ import annotations

from pathlib import Path

from airyoke.cli.notes import cautions_part
from airyoke.cli.page import Column, Page
from airyoke.contract.region_answer import left_words
from airyoke.limits.policy import Policy
from airyoke.pictures.room_left import edge_rows, room_left_svg
from airyoke.plan.region import Region
from airyoke.quantities import Finding, Refused
from airyoke.quantities.cautions import Caution


def room_left_page(page: Page, regions: tuple[Region, ...], policy: Policy, cautions: tuple[Caution, ...]) -> None:
    """The picture as tables."""
    page.title("Room left of two at once")
    page.text(
        "How far two compliances may go together before somebody leaves a target, at best estimate and at these "
        "settings, everything else unchanged. Compliances in mL/cmH2O."
    )
    if not regions:
        page.text("It takes two patients and a limit that can be judged.")
    for one in regions:
        page.heading(f"{one.first} against {one.second}")
        now = ", ".join(
            f"{label} {value:.0f} ({low:.0f} to {high:.0f})"
            for label, value, (low, high) in zip((one.first, one.second), one.now, one.ranges, strict=True)
        )
        page.text(f"Now, with the range of the readings: {now}.", 2)
        if one.outside is not None:
            page.text(f"No room now: {left_words(one.outside, policy)}.", 2)
            continue
        page.table(
            [Column("edge"), Column("there somebody leaves", wrap=True), Column(one.first), Column(one.second)],
            edge_rows(one, lambda left: left_words(left, policy)),
        )
    cautions_part(page, cautions)


def write_svg(path: Path, regions: tuple[Region, ...], policy: Policy) -> None:
    """Write the picture. Raises ``Refused`` where the file cannot be written."""
    drawn = room_left_svg(regions, lambda left: left_words(left, policy))
    try:
        path.write_text(drawn, encoding="utf-8")
    except OSError as error:
        reason = f"{path.name} cannot be written: {error.strerror or type(error).__name__}"
        raise Refused(
            (Finding("room-left-file", "refused", reason, "give another place", column="--room-left"),)
        ) from None
