"""`airyoke circuit`."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from airyoke.bench_check import CircuitReport, report_of
from airyoke.circuit.assembly import Assembly
from airyoke.circuit.choice import CannotBuild, GoalReached
from airyoke.circuit.from_stock import BuiltCircuit, PickLine, builds_for
from airyoke.circuit.needs import LANES, USUAL_REACH_M, CircuitNeeds, PatientNeeds
from airyoke.circuit.part import Part
from airyoke.circuit.parts import PARTS
from airyoke.cli.circuit_page import cannot_page, circuit_page, parts_page
from airyoke.cli.page import page_for_stdout, print_page
from airyoke.cli.progress import engine_notice
from airyoke.cli.run import EXIT_DONE, EXIT_LEFT_OVER
from airyoke.cli.times import now_from
from airyoke.contract.built import Built, read_built
from airyoke.contract.circuit_answer import CircuitAnswer, PartsAnswer
from airyoke.faults.bench_alarms import with_alarms
from airyoke.quantities import Finding, Refused
from airyoke.quantities.cautions import LAST_RESORT, MORE_THAN_TWO, NO_STOCK, PART_DATA, WHO_DECIDES, Caution


@dataclass(frozen=True, slots=True)
class Asked:
    """The command line of `airyoke circuit`."""

    patients: int | None
    stock: Path | None
    site_parts: Path | None
    svg: Path | None
    reach: str | None
    layout: str
    humidification: str
    built: str | None
    narrow: bool
    now: str | None
    restrictor: str | None
    peep_valve: str | None
    closed_suction: bool


def parts_command(*, as_json: bool) -> int:
    """Print the parts catalogue."""
    if as_json:
        print(PartsAnswer.of(PARTS.values(), (PART_DATA,)).json_text())
    else:
        page = page_for_stdout()
        parts_page(page, PARTS.values())
        print_page(page)
    return EXIT_DONE


def circuit_command(asked: Asked, *, as_json: bool) -> int:
    """What to build, drawn where asked. 0 it can be built, 3 it cannot; bad input raises ``Refused``."""
    built = None if asked.built is None else _read_built(asked.built)
    catalogue, own = _catalogue(asked.site_parts)
    typed = None if built is None else built.assembly(catalogue)
    if typed is not None:
        report = _report(typed, built)
        return _show(report, None, (), (), asked, as_json=as_json)
    needs = _needs(asked)
    counted = _stock(asked)
    found = builds_for((needs,), counted if counted is None else {**counted, **own}, catalogue)
    cautions = _cautions(needs.size, counted is None)
    (one,) = found.groups
    if isinstance(one, CannotBuild):
        if as_json:
            print(CircuitAnswer.not_built(one, found.goals, cautions).json_text())
        else:
            page = page_for_stdout()
            cannot_page(page, one, cautions)
            print_page(page)
        return EXIT_LEFT_OVER
    report = _report(one.assembly, built)
    return _show(report, one, found.pick_list, found.goals, asked, as_json=as_json)


def _report(assembly: Assembly, built: Built | None) -> CircuitReport:
    with engine_notice():
        if built is None:
            return with_alarms(report_of(assembly))
        return with_alarms(report_of(assembly, answers=built.valves, readings=built.readings))


def _show(
    report: CircuitReport,
    one: BuiltCircuit | None,
    picks: tuple[PickLine, ...],
    goals: tuple[GoalReached, ...],
    asked: Asked,
    *,
    as_json: bool,
) -> int:
    cautions = _cautions(len(report.path.lanes), one is not None and any(pick.have is None for pick in picks))
    if asked.svg is not None:
        _draw(report.path.assembly, asked.svg, "narrow" if asked.narrow else "wide")
    if as_json:
        needs = None if one is None else one.needs
        print(CircuitAnswer.of(report, needs, picks, goals, cautions).json_text())
        return EXIT_DONE
    page = page_for_stdout()
    circuit_page(page, report, one, picks, goals, cautions)
    print_page(page)
    if asked.svg is not None:
        print(f"Drawn in {asked.svg}", file=sys.stderr)
    return EXIT_DONE


def _needs(asked: Asked) -> CircuitNeeds:
    if asked.patients is None:
        raise _refused("circuit-patients", "for how many patients?", "add --patients 2", "--patients")
    reaches = _reaches(asked.reach, asked.patients)
    layout = _word(asked.layout, ("tree", "chain"), "--layout")
    wet = _word(asked.humidification, ("hme", "heated"), "--humidification")
    lanes = LANES[: asked.patients]
    restrictors = _by_lane(asked.restrictor, lanes, "--restrictor")
    peep_valves = _by_lane(asked.peep_valve, lanes, "--peep-valve")
    return CircuitNeeds(
        tuple(
            PatientNeeds(
                reach,
                restrictors.get(LANES[i : i + 1]),
                _pressure(peep_valves.get(LANES[i : i + 1])),
                asked.closed_suction,
            )
            for i, reach in enumerate(reaches)
        ),
        "chain" if layout == "chain" else "tree",
        "heated" if wet == "heated" else "hme",
    )


def _reaches(text: str | None, patients: int) -> list[float]:
    """``2.5`` for everybody, or ``1.5,3`` one a lane."""
    if text is None:
        return [USUAL_REACH_M] * patients
    try:
        values = [float(word) for word in text.split(",")]
    except ValueError:
        remedy = "metres, one for everybody or one a lane: --reach 2.5 or --reach 1.5,3"
        raise _refused("circuit-reach", f"{text!r} is no reach", remedy, "--reach") from None
    if len(values) == 1:
        return values * patients
    if len(values) != patients:
        reason = f"{len(values)} reaches for {patients} patients"
        raise _refused("circuit-reach", reason, "one for everybody or one a lane", "--reach")
    return values


def _by_lane(text: str | None, lanes: str, option: str) -> dict[str, str]:
    """``A=restrictor-4.0mm,B=…``: what hangs on which lane."""
    found: dict[str, str] = {}
    for word in text.split(",") if text else []:
        lane, equals, value = word.strip().partition("=")
        if not equals or len(lane) != 1 or lane not in lanes or lane in found:
            remedy = f"write it like {option} A=…, one a lane, lanes {', '.join(lanes)}"
            raise _refused("command-line", f"{option} {word!r} names no lane", remedy, option)
        found[lane] = value
    return found


def _pressure(text: str | None) -> float | None:
    try:
        return None if text is None else float(text)
    except ValueError:
        raise _refused("circuit-peep-valve", f"{text!r} is no pressure", "cmH2O, as A=5", "--peep-valve") from None


def _word(value: str, choices: tuple[str, ...], option: str) -> str:
    if value not in choices:
        raise _refused("command-line", f"{option} {value!r} is not known", f"one of {', '.join(choices)}", option)
    return value


def _catalogue(site_parts: Path | None) -> tuple[dict[str, Part], dict[str, int]]:
    """The parts catalogue with the site's own, and how many of its own there are."""
    if site_parts is None:
        return PARTS, {}
    from airyoke.exchange.site_parts import read_site_parts

    own = read_site_parts(site_parts)
    return {**PARTS, **own.parts}, own.stock


def _stock(asked: Asked) -> dict[str, int] | None:
    if asked.stock is None:
        return None
    from airyoke.exchange import read_ward

    return read_ward(asked.stock, now=now_from(asked.now)).stock


def _cautions(patients: int, no_stock: bool) -> tuple[Caution, ...]:
    found = [LAST_RESORT] if patients > 1 else []
    found += [WHO_DECIDES, PART_DATA]
    found += [MORE_THAN_TWO] if patients > 2 else []
    found += [NO_STOCK] if no_stock else []
    return tuple(found)


def _draw(assembly: Assembly, target: Path, shape: Literal["wide", "narrow"]) -> None:
    from airyoke.pictures import circuit_svg

    try:
        target.write_text(circuit_svg(assembly, shape=shape), encoding="utf-8")
    except OSError as error:
        reason = f"{target} cannot be written: {error.strerror or type(error).__name__}"
        raise _refused("svg-not-written", reason, "name a file in a folder that exists", "--svg") from None


def _read_built(source: str) -> Built:
    name = None if source == "-" else Path(source).name
    try:
        raw = sys.stdin.buffer.read() if source == "-" else Path(source).read_bytes()
        return read_built(raw.decode("utf-8-sig"), name)
    except OSError as error:
        reason = f"it cannot be opened: {error.strerror or type(error).__name__}"
        raise Refused((Finding("built-not-readable", "refused", reason, "check the path", file=name),)) from None
    except UnicodeDecodeError:
        remedy = "save it as UTF-8"
        raise Refused((Finding("built-form", "refused", "it is not UTF-8 text", remedy, file=name),)) from None


def _refused(id_: str, reason: str, remedy: str, option: str) -> Refused:
    return Refused((Finding(id_, "refused", reason, remedy, column=option),))
