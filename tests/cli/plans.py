"""A plan made by hand: every shape a page must cope with, without the engine."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator
from airyoke.limits.answer import Assumed, Figure, GroupAnswer, LimitDistance, PatientAnswer
from airyoke.limits.answering import SOURCES
from airyoke.limits.margins import GroupMargin
from airyoke.limits.policy import Policy
from airyoke.lungs.readings import Readings
from airyoke.plan.candidate import Note
from airyoke.plan.plan import (
    Alarm,
    Expectation,
    Goal,
    PickLine,
    Plan,
    PlannedGroup,
    RefusedLimit,
    RefusedPair,
    Rehearsal,
    RunnerUp,
    RunnerUpGroup,
    Unplaced,
)
from airyoke.plan.room_left import RoomLeft
from airyoke.quantities import Finding
from airyoke.quantities.cautions import STANDING
from airyoke.ward.ward import Bed, Ward

LONG = "Überwachungsbett-am-Fenster-Nr-7"
NOW = datetime(2026, 1, 10, 14, 30, tzinfo=UTC)
SHARED = Settings("pc", 22.0, 0.9, 10.0, 0.6, pressure_above_peep_cmh2o=14.0)
OWN = Settings("vc", 20.0, 1.0, 8.0, 0.5, tidal_volume_ml=450.0, pause_s=0.2)

POLICY = Policy()
_DRIVE = POLICY.limit("driving_pressure_cmh2o", "high")


def figures(driving: float = 12.5, ph: float | None = 7.31) -> dict[str, Figure]:
    """One patient's figures; ``ph`` ``None`` = not known."""
    return {
        "tidal_volume_ml": Figure(398.8, 353.0, 443.0),
        "tidal_volume_ml_per_kg": Figure(7.6, 6.7, 8.5),
        "plateau_cmh2o": Figure(22.7, 22.1, 23.1),
        "driving_pressure_cmh2o": Figure(driving, driving - 0.7, driving + 0.5),
        "total_peep_cmh2o": Figure(
            10.2, 10.1, 10.4, LimitDistance("total_peep_fall_cmh2o", "high", 2.0, 0.6, "judgement, no source")
        ),
        "intrinsic_peep_cmh2o": Figure(0.2, 0.1, 0.4),
        "paco2_mmhg": Figure(None) if ph is None else Figure(52.0, 40.0, 70.0),
        "ph": Figure(None) if ph is None else Figure(ph, ph - 0.1, ph + 0.1),
        "spo2_pct": Figure(93.0, 91.0, 95.0),
    }


def group_answer(*labels: str, predicted: float = 12.5, allowed: bool = True) -> GroupAnswer:
    """An answer in which the driving pressure of the last patient binds."""
    margin = GroupMargin(
        value=0.1 if allowed else -0.1,
        at_best_estimate=(15.0 - predicted) / 5.0,
        came_from="target",
        limit=_DRIVE,
        patient=len(labels) - 1,
        bound=15.0,
        predicted=predicted,
        inside_probability=0.84 if allowed else 0.69,
        hard_inside_probability=0.99,
    )
    return GroupAnswer(
        outcome="solved",
        outcome_reason=None,
        settings=SHARED,
        build="standard",
        draws=256,
        seed=0,
        patients=tuple(
            PatientAnswer(label, "ABCD"[i], figures(driving=predicted, ph=None if i == 1 else 7.31))
            for i, label in enumerate(labels)
        ),
        ventilator={
            "displayed_tidal_volume_ml": Figure(830.0, 760.0, 900.0), "compressed_volume_ml": Figure(60.0, 50.0, 70.0),
            "peak_pressure_cmh2o": Figure(24.0),
        },
        margin=margin,
        assumed=(),
        not_computed=(),
        sources=SOURCES,
        cautions=STANDING,
    )


def plan() -> Plan:
    """Two shared groups (one of four with long labels), one alone, one unjudged, one left out."""
    rehearsal = Rehearsal(
        SHARED, "20 to 30", ("plateau_cmh2o by an inspiratory hold", "spo2_pct"),
        tuple(Expectation(bed, "plateau_cmh2o", 23.0, 22.0, 24.0) for bed in ("1", LONG)), 0.9, 0.95,
        "Predicted again from the values measured here, everybody is inside.",
    )  # fmt: skip
    pair = PlannedGroup(
        "G1", "V1", ("1", LONG), (Note("paralysis", f"Deep sedation or neuromuscular block for bed {LONG}."),),
        "standard", (("y-piece", 4),), SHARED, {"1": OWN, LONG: None},
        (Alarm("exhaled_tidal_volume", 590.0, 890.0, "mL", "half of the smallest share"),
         Alarm("apnoea", None, 20.0, "s", "detects only the loss of everybody")),
        group_answer("1", LONG, predicted=14.6), rehearsal, "judged", (LONG,), ("no gas-driven nebuliser",),
        tuple(
            RoomLeft(bed, quantity, direction, 30.0, at, None if at is None else "ph", None if at is None else "low", LONG)
            for bed in ("1", LONG)
            for quantity in ("compliance_ml_per_cmh2o", "airway_resistance")
            for direction, at in (("down", 29.5), ("up", None))
        ),
    )  # fmt: skip
    four = (f"{LONG}-one", f"{LONG}-two", "13", f"{LONG}-four")
    quartet = replace(
        pair, id="G2", ventilator="V2", beds=four, needs=(), present_settings=dict.fromkeys(four, OWN),
        answer=group_answer(*four, predicted=16.0, allowed=False), rehearsal=None, breaks=four, room_left=(),
    )  # fmt: skip
    alone = replace(
        pair, id="G3", ventilator="V3", beds=("21",), needs=(), build="single", settings=None, alarms=(),
        answer=group_answer("21"), rehearsal=None, status="as_read", breaks=("21",), room_left=(),
    )  # fmt: skip
    unjudged = replace(alone, id="G4", ventilator="V4", beds=("31",), answer=None, status="not_judged", breaks=())
    return Plan(
        outcome="some_left",
        outcome_reason="1 without a ventilator",
        oldest_reading=NOW,
        newest_reading=NOW,
        rounds=1,
        groups=(pair, quartet, alone, unjudged),
        unplaced=(
            Unplaced("41", (Note("no-partner", "no partner is inside the limits"),),
                     (Note("one-more-ventilator", "one more ventilator gives it a place"),), (("1",), ("21", "41"))),
        ),
        reserve=("V5",),
        runner_up=RunnerUp(
            "group", (RunnerUpGroup("V1", ("1", "21"), 0.05), RunnerUpGroup("V2", four, 0.1)), ("41", LONG),
            (("smallest_margin", 0.12),),
        ),
        proof=(
            Goal("placed", 8.0, 8.0, 0.0, "proved", "the solver"),
            Goal("couplings", 7.0, 6.0, 1.0, "open", "the solver"),
            Goal("margin_sum", None, None, None, "skipped", ""),
        ),
        refused_pairs=(
            RefusedPair(("1", "41"), (RefusedLimit("ph", "41", 7.2, 7.12, ""),), (), SHARED, -0.8, "engine"),
            RefusedPair(("1", "13"), (), (Note("rooms", "1 and 13 are in different rooms"),), None, None, "rules"),
        ),
        findings=(
            Finding("reading-old", "ask", "the readings are 7 h old", "read again", "ward.xlsx", "beds", 4, "read_at",
                    "21", "2026-01-10T07:20"),
            Finding("plateau-unit", "refused", "plateau 2.3 cmH2O is outside what is possible", "was it typed in kPa",
                    "ward.xlsx", "beds", 5, "plateau_cmh2o", "31", 2.3),
        ),
        pick_list=(PickLine("y-piece", 12, 10), PickLine("hmef", 6, None)),
        assumed=(
            Assumed("1", "airway_dead_space_ml", 115.0, "mL", "not read", "2.2 mL per kg, from memory"),
            Assumed("21", "airway_dead_space_ml", 140.0, "mL", "not read", "2.2 mL per kg, from memory"),
        ),
        sources=SOURCES,
        cautions=STANDING,
        draws=256,
        seed=0,
    )  # fmt: skip


def ward() -> Ward:
    """The ward of that plan; the dial of V1 reads absolute pressure."""
    read = Readings("f", 160.0, "yes", "vc", 20.0, 1.0, 450.0, 8.0, 0.5, read_at=NOW, read_by="rt-2")
    labels = ("1", LONG, f"{LONG}-one", f"{LONG}-two", "13", f"{LONG}-four", "21", "31", "41")
    beds = tuple(
        Bed(label, None, None, None if label == "31" else read, ventilator="V1" if label == "1" else None)
        for label in labels
    )
    machines = tuple(
        Ventilator(f"V{n}", pressure_reference="absolute" if n == 1 else "above_peep") for n in range(1, 6)
    )
    return Ward(beds, machines, POLICY, file="ward.xlsx")
