"""`airyoke check WARD` and `airyoke template PATH`."""

from __future__ import annotations

from pathlib import Path

from airyoke.cli.findings_page import counts_words, findings_part
from airyoke.cli.notes import cautions_part
from airyoke.cli.page import Column, Page, page_for_stdout, print_page, short
from airyoke.cli.progress import engine_notice
from airyoke.cli.run import EXIT_DONE, EXIT_NOT_SOLVED
from airyoke.cli.times import dated_readings_words, now_from
from airyoke.cli.wards import ward_from
from airyoke.contract.check_answer import BedAnswer, CheckAnswer
from airyoke.contract.words import number_words
from airyoke.exchange import write_template
from airyoke.quantities import Finding
from airyoke.quantities.cautions import STANDING
from airyoke.ward.candidates import assess_ward
from airyoke.ward.questions import check_ward
from airyoke.ward.ward import Ward


def check_command(source: Path | None, *, record: str | None, site: str | None, now: str | None, as_json: bool) -> int:
    """Read a ward and list what was found. 0 nothing refused, 1 something refused."""
    ward = ward_from(source, record, site, now=now_from(now), what="check of the ward").ward
    assessed = assess_ward(ward)
    with engine_notice():
        findings = check_ward(ward, assessed)
    answer = CheckAnswer.of(ward, findings, assessed)
    if as_json:
        print(answer.json_text())
    else:
        page = page_for_stdout()
        check_page(page, ward, answer, findings)
        print_page(page)
    return EXIT_NOT_SOLVED if answer.counts.refused else EXIT_DONE


def template_command(target: Path, *, as_json: bool) -> int:
    """Write an empty ward. Nothing is overwritten."""
    write_template(target)
    if as_json:
        from airyoke.contract.template_answer import TemplateAnswer

        print(TemplateAnswer.of(target).json_text())
    else:
        page = page_for_stdout()
        # A path is printed as it is, so that it can be copied.
        page.line(f"An empty ward is in {target}; every column is explained there.")
        page.line(f"Fill it in, then: airyoke check {target}")
        cautions_part(page, STANDING)
        print_page(page)
    return EXIT_DONE


def check_page(page: Page, ward: Ward, answer: CheckAnswer, findings: tuple[Finding, ...]) -> None:
    """Beds with their lungs in one table, then every finding."""
    page.title(f"Check of {ward.file or 'the ward'}")
    times = [bed.readings.read_at for bed in ward.beds if bed.readings is not None]
    page.text(f"{len(ward.beds)} beds, {len(ward.ventilators)} ventilators, {dated_readings_words(times)}.")
    page.text(f"Found: {counts_words(findings)}.", style="strong")
    page.heading("Lungs as estimated from the readings (mechanics with the tracheal tube)")
    page.table(
        [
            Column("bed"),
            Column("PBW", right=True),
            Column("C", right=True),
            Column("R in", right=True),
            Column("R out", right=True),
            Column("shunt", right=True),
            Column("HCO3", right=True),
            Column("may share", wrap=True),
        ],
        [["", "kg", "mL/cmH2O", "cmH2O·s/L", "cmH2O·s/L", "", "mmol/L", ""], *(_bed_row(bed) for bed in answer.beds)],
    )
    page.text("* a default of ours, not read", 2)
    findings_part(page, findings)
    cautions_part(page, STANDING)


def _bed_row(bed: BedAnswer) -> list[str]:
    cells = {one.quantity: number_words(one.value, one.unit) + ("*" if one.assumed else "") for one in bed.lungs}
    if bed.reasons:
        may = f"no: {', '.join(one.id for one in bed.reasons)}"
    elif not bed.may_share:
        may = "not judged: readings were refused"
    elif bed.needs:
        may = f"yes, if decided: {', '.join(one.id for one in bed.needs)}"
    else:
        may = "yes"
    weight = "-" if bed.predicted_body_weight_kg is None else f"{bed.predicted_body_weight_kg:.1f}"
    names = (
        "compliance_ml_per_cmh2o", "inspiratory_resistance_cmh2o_s_per_l", "expiratory_resistance_cmh2o_s_per_l",
        "shunt_fraction", "bicarbonate_mmol_per_l",
    )  # fmt: skip
    return [short(bed.bed), weight, *(cells.get(name, "-") for name in names), may]
