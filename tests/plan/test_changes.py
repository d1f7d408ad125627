"""What if: the change is the one that was asked, everything else stays, and both sides stand on the same draws."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from airyoke.breath import Settings
from airyoke.breath.engine import settle
from airyoke.circuit import Branch, Element, FlowNetwork, Trim, ideal_build, standard_build, without_limb
from airyoke.contract.case import read_case
from airyoke.contract.change_forms import FORMS, parse_changes
from airyoke.limits.prediction import sample_group
from airyoke.lungs.assumptions import Assumptions
from airyoke.lungs.patient import Since
from airyoke.plan.changes import Change, apply, apply_all
from airyoke.plan.coupling import Coupling
from airyoke.plan.what_if import Question, compare, predict_coupling, what_if
from airyoke.quantities import Refused
from airyoke.ward.candidates import assess_ward
from breath.cases import mechanics
from contract.cases import CIRCUIT, text, two_patients
from studies.wards import study_ward

QUICK = Question(draws=64)


def coupling(**changes) -> Coupling:
    case = read_case(text(two_patients() | changes)).to_domain()
    return Coupling(case.patients, case.bare_build, case.settings, case.trims)


def value(side, quantity, patient=0):
    return side.answer.patients[patient].figures[quantity].value


def with_change(words, group=None):
    group = coupling() if group is None else group
    return compare(group, parse_changes([words], group.labels), QUICK)


def test_a_drive_of_two_more_gives_what_the_closed_form_of_the_breath_says():
    # One compartment, square pressure: VT = C P (1 - a)(1 - b) / (1 - a b), a = exp(-Ti / R C) (textbook).
    answer = with_change("drive +2", coupling(circuit="ideal"))
    for i, (C, R_in, R_out) in enumerate([(32, 12, 14), (45, 12, 14)]):
        a, b = math.exp(-0.9e3 / (R_in * C)), math.exp(-(60 / 22 - 0.9) * 1e3 / (R_out * C))
        per_cmh2o = C * (1 - a) * (1 - b) / (1 - a * b)
        moved = value(answer.after, "tidal_volume_ml", i) - value(answer.before, "tidal_volume_ml", i)
        assert moved == pytest.approx(2 * per_cmh2o, rel=2e-3)


@pytest.mark.parametrize(("words", "changed"), [
    ("drive +2", {"pressure_above_peep_cmh2o": 16}),
    ("peep -2", {"peep_cmh2o": 8}),
    ("peep-absolute +2", {"peep_cmh2o": 12, "pressure_above_peep_cmh2o": 12}),
    ("rate 26", {"rate_per_min": 26}),
    ("ti +0.1", {"inspiratory_time_s": 1.0}),
    ("ie 1:2", {"inspiratory_time_s": round(60 / 22 / 3, 4)}),
    ("fio2 1.0", {"fio2": 1.0}),
    ("triggers B 30", {"rate_per_min": 30}),
])  # fmt: skip
def test_what_if_of_a_dial_is_the_prediction_of_a_case_with_that_dial(words, changed):
    case = two_patients()
    case["settings"] = case["settings"] | changed
    by_hand = read_case(text(case)).to_domain()
    expected = predict_coupling(Coupling(by_hand.patients, by_hand.bare_build, by_hand.settings), QUICK).answer
    assert with_change(words).after.answer.patients == expected.patients


@pytest.mark.parametrize(("words", "field", "factor"), [
    ("compliance B -30%", "compliance_ml_per_cmh2o", 0.7),
    ("compliance B 31.5", "compliance_ml_per_cmh2o", 0.7),
    ("prone B", "compliance_ml_per_cmh2o", 1.3),
    ("fever B +1.5", "vco2_ml_per_min", 1.21),
])  # fmt: skip
def test_what_if_of_lungs_is_the_prediction_of_a_case_with_those_lungs(words, field, factor):
    case = two_patients()
    case["patients"][1][field] *= factor
    by_hand = read_case(text(case)).to_domain()
    expected = predict_coupling(Coupling(by_hand.patients, by_hand.bare_build, by_hand.settings), QUICK).answer
    for got, wanted in zip(with_change(words).after.answer.patients, expected.patients, strict=True):
        for name, figure in wanted.figures.items():
            for one in ("value", "low", "high"):
                assert getattr(got.figures[name], one) == pytest.approx(getattr(figure, one), rel=1e-6), name


def test_a_change_taken_back_leaves_no_trace():
    answer = with_change("drive +2")
    back = what_if(answer.after, parse_changes(["drive -2"], ("A", "B")))
    assert back.after.answer.patients == answer.before.answer.patients
    assert {one.change.value for one in compare(coupling(), (), QUICK).moved} == {0.0}


def test_the_range_of_a_change_is_that_of_the_draws_and_not_of_the_ranges():
    moved = next(one for one in with_change("drive +2").moved if one.quantity == "tidal_volume_ml")
    apart = moved.after.high - moved.before.low
    assert 0.0 < moved.change.low < moved.change.value < moved.change.high < 0.5 * apart


def test_what_changed_since_the_readings_does_not_move_what_the_draws_are_anchored_to():
    ward = study_ward(72_000, 8)
    patient = next(a.lungs for a in assess_ward(ward) if getattr(a.lungs, "present", None) is not None)
    now = sample_group([patient], standard_build(1), Assumptions(), 64, 0)
    later = sample_group([replace(patient, since=Since(0.7, 1.5, 1.2))], standard_build(1), Assumptions(), 64, 0)
    assert np.array_equal(now.present.total_peep_cmh2o, later.present.total_peep_cmh2o)
    assert np.array_equal(now.shunt_fraction, later.shunt_fraction)
    ratio = later.lungs.compliance_ml_per_cmh2o / now.lungs.compliance_ml_per_cmh2o
    assert ratio == pytest.approx(np.full((65, 1), 0.7))


def test_fever_of_a_patient_read_at_the_bedside_raises_paco2_as_its_co2_production():
    ward = study_ward(72_000, 8)
    assessed = next(
        a for a in assess_ward(ward)
        if getattr(a.lungs, "present", None) is not None and a.lungs.present.paco2_mmhg is not None
    )  # fmt: skip
    alone = Coupling((assessed.lungs,), standard_build(1), Settings("pc", 20, 0.9, 8, 0.5, 16))
    answer = compare(alone, [Change("fever", assessed.bed.label, 1.0, relative=True)], QUICK)
    # Alveolar ventilation equation: PaCO2 goes with CO2 production; 14 % a degree, PMC9525762.
    assert value(answer.after, "paco2_mmhg") == pytest.approx(1.14 * value(answer.before, "paco2_mmhg"), rel=1e-9)


@pytest.mark.parametrize("compensation", ["off", "on"])
def test_volume_control_by_mistake_goes_on_with_the_volume_that_was_displayed(compensation):
    group = coupling()
    group = replace(group, settings=replace(group.settings, circuit_compensation=compensation))
    answer = with_change("mode-vc", group)
    assert answer.after.coupling.settings.mode == "vc"
    before, after = (one.answer.ventilator["displayed_tidal_volume_ml"].value for one in (answer.before, answer.after))
    assert after == pytest.approx(before, rel=2e-3)


def test_a_blocked_tube_in_volume_control_gives_its_volume_to_the_other():
    group = coupling(settings={"mode": "vc", "tidal_volume_ml": 700, "peep_cmh2o": 10, "rate_per_min": 20,
                               "inspiratory_time_s": 1.0, "fio2": 0.6}, circuit="ideal")  # fmt: skip
    answer = with_change("block B", group)
    assert value(answer.after, "tidal_volume_ml", 1) < 1.0
    # 32 mL/cmH2O cannot take it all below the pressure of no limit: what is delivered goes to A, gas is not lost.
    assert value(answer.after, "tidal_volume_ml", 0) == pytest.approx(700.0, rel=5e-3)


def test_a_heated_humidifier_takes_fifty_millilitres_of_dead_space_away():
    group = coupling()
    after = apply(group, Change("heated", None))
    for old, new in zip(group.build.network.limbs, after.build.network.limbs, strict=True):
        assert old.dead_space_ml - new.dead_space_ml == 50.0
    with pytest.raises(Refused, match="no heat and moisture exchanger"):
        apply(after, Change("heated", "A"))


def test_a_trim_of_the_what_if_is_the_trim_of_a_case():
    case = two_patients()
    # Sharp-edged orifice, Cd 0.62, air at 20 °C, 22 mm bore: 101.2 (1 - (4/22)^4), computed with CoolProp's density.
    case["patients"][0] |= {"restrictor_cmh2o_s2_per_l2": 101.09, "peep_valve_cmh2o": 3, "added_dead_space_ml": 20}
    by_hand = read_case(text(case)).to_domain()
    words = ["restrictor A 4mm", "peep-valve A 3", "dead-space A 20"]
    group = coupling()
    got = predict_coupling(apply_all(group, parse_changes(words, group.labels)), QUICK).answer
    expected = predict_coupling(Coupling(by_hand.patients, by_hand.bare_build, by_hand.settings, by_hand.trims), QUICK)
    for one, other in zip(got.patients, expected.answer.patients, strict=True):
        assert one.figures["tidal_volume_ml"].value == pytest.approx(other.figures["tidal_volume_ml"].value, rel=1e-3)
        assert one.figures["total_peep_cmh2o"].value == pytest.approx(other.figures["total_peep_cmh2o"].value, abs=0.01)
    off = apply_all(group, parse_changes([*words, "restrictor A none", "peep-valve A none", "dead-space A none"], "AB"))
    assert off == group


@st.composite
def trees(draw):
    """Circuits of three or four limbs, some of them behind splitters of their own, different on both sides."""
    limbs = tuple(
        replace(limb, inspiratory=Element(draw(st.floats(0.2, 3)), draw(st.floats(0, 3))), wye_compliance_ml_per_cmh2o=0.0)
        for limb in standard_build(draw(st.integers(3, 4))).network.limbs
    )

    def side():
        number = len(limbs)
        order = draw(st.permutations(range(number)))
        shapes = [(), (Branch(part(), 0.3, (order[0], order[1])),)]
        deep = Branch(part(), 0.2, (order[0], order[1]))
        shapes.append((Branch(part(), 0.3, (order[2],), (deep,)),) if number == 4 else shapes[1])
        if number == 4:
            shapes.append((Branch(part(), 0.3, (order[0], order[1])), Branch(part(), 0.2, (order[2], order[3]))))
        return draw(st.sampled_from(shapes))

    def part():
        return Element(draw(st.floats(0.1, 1.0)), draw(st.floats(0.0, 0.5)))

    return FlowNetwork(Element(0.5, 0.5), Element(2.0, 1.0), 0.4, limbs, 0.5, side(), side())


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(trees(), st.data())
def test_who_stays_gets_what_it_would_get_with_the_others_branches_shut(network, data):
    gone = data.draw(st.integers(0, len(network.limbs) - 1))
    pc = Settings("pc", 20, 1.0, 8, pressure_above_peep_cmh2o=14)
    compliance = [data.draw(st.floats(20, 60)) for _ in network.limbs]
    resistance = [data.draw(st.floats(6, 20)) for _ in network.limbs]
    shut = Element(1e9)
    clamped = replace(network, limbs=tuple(
        replace(limb, inspiratory=shut, expiratory=shut) if i == gone else limb for i, limb in enumerate(network.limbs)
    ))  # fmt: skip
    stay = [i for i in range(len(network.limbs)) if i != gone]
    all_of = settle(clamped, pc, mechanics(compliance, resistance, resistance))
    left = settle(
        without_limb(network, gone), pc, mechanics(*([one[i] for i in stay] for one in (compliance, resistance, resistance)))
    )
    # Compliance behind a splitter that is no more stands at the one before: some tenths of a millilitre.
    assert left.tidal_volume_ml[0] == pytest.approx(all_of.tidal_volume_ml[0][stay], rel=3e-3, abs=0.5)
    assert left.total_peep_cmh2o[0] == pytest.approx(all_of.total_peep_cmh2o[0][stay], abs=0.06)


def test_a_third_patient_and_a_swap_are_the_case_written_with_them():
    case = two_patients()
    third = case["patients"][0] | {"label": "C", "compliance_ml_per_cmh2o": 50}
    newcomer = {"C": read_case(text(case | {"patients": [third]})).to_domain().patients[0]}
    group = coupling()
    for words, patients in (("add C", [*case["patients"], third]), ("swap A C", [third, case["patients"][1]])):
        by_hand = read_case(text(case | {"patients": patients})).to_domain()
        expected = predict_coupling(Coupling(by_hand.patients, by_hand.bare_build, by_hand.settings), QUICK).answer
        got = compare(group, parse_changes([words], group.labels, newcomer), QUICK)
        assert got.after.answer.patients == expected.patients
    numbers = coupling(circuit=CIRCUIT)
    more = apply_all(numbers, parse_changes(["add C"], numbers.labels, newcomer))
    assert more.build.network.limbs[2] == more.build.network.limbs[0]


def test_a_newcomer_does_not_inherit_the_trim_of_who_left():
    group = replace(coupling(), trims=(Trim(100.0), Trim()))
    newcomer = replace(group.patients[0], label="C")
    assert apply(group, Change("swap", "A", patient=newcomer)).trims == (Trim(), Trim())
    assert apply(group, Change("out", "B")).trims == (Trim(100.0),)


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.word)
def test_the_example_of_every_form_can_be_asked(form):
    group = coupling()
    newcomer = {"C": replace(group.patients[0], label="C")}
    if form.word == "volume":
        group = apply(group, Change("volume_control"))
    changes = parse_changes([form.example], group.labels, newcomer)
    assert apply_all(group, changes) != group


@pytest.mark.parametrize(("words", "id_", "says"), [
    ("drve +2", "change-word", "did you mean drive"),
    ("", "change-form", "no word"),
    ("out", "change-patient", "whose"),
    ("out b", "change-patient", "did you mean B"),
    ("compliance B +5", "change-amount", "a share"),
    ("compliance B 30%", "change-amount", "or more?"),
    ("fever B 38.5", "change-amount", "or more?"),
    ("fio2 60", "change-amount", "did you mean 0.6"),
    ("rate 1,5", "change-amount", "with a point"),
    ("restrictor A +4", "change-amount", "has a sign"),
    ("drive +2 peep +2", "change-form", "one change a text"),
    ("swap A C", "change-newcomer", "--with"),
    ("drive", "change-amount", "how much"),
    ("drive '2", "change-form", "quotation"),
])  # fmt: skip
def test_a_text_that_cannot_be_read_is_refused_with_what_to_do(words, id_, says):
    with pytest.raises(Refused) as caught:
        parse_changes([words], ("A", "B"))
    finding = caught.value.findings[0]
    assert finding.id == id_
    assert says in f"{finding.reason}; {finding.remedy}"


@pytest.mark.parametrize(("words", "id_"), [
    ("drive -14", "change-range"),
    ("peep +40", "change-range"),
    ("peep-absolute +14", "change-range"),
    ("rate 80", "change-range"),
    ("ti 3", "no-expiration"),
    ("volume 500", "change-mode"),
    ("triggers B 20", "change-trigger"),
    ("compliance B 0.001", "change-lungs"),
    ("restrictor A 0.2mm", "change-diameter"),
    ("restrictor A 22mm", "change-diameter"),
    ("peep-valve A 90", "change-range"),
    ("ie 9:1", "change-ratio"),
    ("fever B +40", "change-fever"),
])  # fmt: skip
def test_a_change_that_no_ventilator_and_no_lung_can_make_is_refused(words, id_):
    group = coupling()
    with pytest.raises(Refused) as caught:
        apply_all(group, parse_changes([words], group.labels))
    assert caught.value.findings[0].id == id_


def test_the_last_patient_cannot_be_taken_off():
    group = coupling()
    with pytest.raises(Refused, match="nobody is left"):
        apply_all(group, parse_changes(["out A", "out B"], group.labels))
    with pytest.raises(ValueError, match="last limb"):
        without_limb(ideal_build(1).network, 0)


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.text(max_size=30), st.lists(
    st.sampled_from(["drive", "out", "A", "B", "+2", "-30%", "4mm", "nan", "1e400", "ie", "1:0", "none", "all", "kink",
                     "restrictor", "fio2", "compliance", "\"", "−", "%", "٣", "fever", "-", "mm", "0"]), max_size=5,
).map(" ".join)))  # fmt: skip
def test_any_text_is_either_a_change_or_a_refusal(words):
    group = coupling()
    try:
        changed = apply_all(group, parse_changes([words], group.labels))
    except Refused:
        return
    assert changed.build.patients == len(changed.patients)


