"""`airyoke faults CASE`."""

from __future__ import annotations

from airyoke.cli.faults_page import card_page, faults_page
from airyoke.cli.page import page_for_stdout, print_page
from airyoke.cli.predict import domain_case
from airyoke.cli.progress import engine_notice
from airyoke.cli.run import EXIT_DONE
from airyoke.contract.case_domain import DomainCase
from airyoke.contract.fault_words import cautions_of
from airyoke.contract.faults_answer import FaultsAnswer
from airyoke.faults.catalogue import fault_named
from airyoke.faults.fault import Effect
from airyoke.faults.report import FaultReport, report_faults
from airyoke.faults.runs import machine_of_faults
from airyoke.limits.answer import Assumed
from airyoke.quantities import Finding, Refused
from airyoke.quantities.cautions import Caution


def faults_command(source: str, *, as_json: bool, seed: int, only: str | None, card: bool) -> int:
    """Every fault of the group in a case, or the one named, or the card alone. 0; a bad case raises ``Refused``."""
    case = domain_case(source)
    with engine_notice():
        report = _report(case, seed)
    findings = report.findings
    if only is not None:
        wanted = fault_named([one.run.fault for one in findings], only).id
        findings = tuple(one for one in findings if one.run.fault.id == wanted)
    assumed = (*case.assumed, *_of_the_machine(case))
    cautions = cautions_of(len(case.patients), typical_parts=case.build.resistance_relative_sd > 0.0)
    if as_json:
        print(FaultsAnswer.of(report, findings, assumed, cautions, case.findings).json_text())
        return EXIT_DONE
    page = page_for_stdout()
    if card:
        card_page(page, report, cautions)
    else:
        notes = tuple(Caution(f.id, f"{f.column}: {f.reason}; {f.remedy}") for f in case.findings)
        faults_page(page, report, findings, assumed, (*cautions, *notes), one=only is not None)
    print_page(page)
    return EXIT_DONE


def _report(case: DomainCase, seed: int) -> FaultReport:
    try:
        return report_faults(
            case.patients,
            case.build,
            case.settings,
            restrictors_cmh2o_s2_per_l2=[trim.restrictor_cmh2o_s2_per_l2 for trim in case.trims],
            alarms=case.alarms,
            system=case.alarm_system,
            seed=seed,
            structural=case.structural,
        )
    except ArithmeticError as error:
        remedy = "ask `airyoke predict` what is wrong with the case"
        raise Refused((Finding("faults-no-breath", "refused", str(error), remedy),)) from None


def _of_the_machine(case: DomainCase) -> list[Assumed]:
    """What every machine has and the case does not say; each counts in some of the faults only."""
    dialled, taken = case.settings, machine_of_faults(case.settings, Effect(opens=True))
    found = []
    for field, unit in (("max_peak_flow_l_per_min", "L/min"), ("pressure_limit_cmh2o", "cmH2O")):
        if getattr(dialled, field) is None:
            found.append(Assumed(None, field, getattr(taken, field), unit, "not given", "from memory, low confidence"))
    return found
