"""Why this number: one predicted figure down to the estimates, the readings, the formula and its source."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated, Final, Literal

from pydantic import Field

from airyoke import __version__
from airyoke.contract.answers import Answer, FigureAnswer, NoteAnswer, SettingsAnswer, caution_answers, known_number
from airyoke.contract.check_answer import EstimateAnswer, InputAnswer, estimates_of
from airyoke.contract.words import name_words
from airyoke.limits.answer import Figure, GroupAnswer, PatientAnswer
from airyoke.lungs.patient import Patient
from airyoke.quantities import Estimate, Finding, Refused, did_you_mean, quantity

_MECHANICS: Final = (
    "compliance_ml_per_cmh2o",
    "inspiratory_resistance_cmh2o_s_per_l",
    "expiratory_resistance_cmh2o_s_per_l",
    "quadratic_resistance_cmh2o_s2_per_l2",
)
_CO2: Final = ("airway_dead_space_ml", "alveolar_dead_space_fraction", "vco2_ml_per_min")
_O2: Final = ("shunt_fraction", "haemoglobin_g_per_dl")


@dataclass(frozen=True, slots=True)
class Formula:
    """How a figure comes about: the formula in words, ids of its sources, and the estimates that go in."""

    text: str
    sources: tuple[str, ...]
    estimates: tuple[str, ...]


_BREATH = "in the settled breath of ventilator, circuit and lungs together"
_PRESENT_PACO2 = (
    "present PaCO2 x present alveolar ventilation / new alveolar ventilation; alveolar ventilation = rate x (VT - "
    "airway dead space - apparatus dead space); CO2 output constant"
)
_TYPED_PACO2 = (
    "PaCO2 = 0.863 x VCO2 / VA; VA = rate x (VT - airway dead space - apparatus dead space) x (1 - alveolar dead "
    "space fraction)"
)
_ACUTE_RESPONSE = "first makes its acute response to the change of PaCO2 (0.1 mmol/L per mmHg, at most 6)"
FORMULAS: Final[dict[str, Formula]] = {
    "tidal_volume_ml": Formula(
        f"volume of the lung at the end of inspiration less that at the end of expiration, {_BREATH}",
        ("mechanics",),
        _MECHANICS,
    ),
    "tidal_volume_ml_per_kg": Formula(
        "tidal volume / predicted body weight; PBW = 50 (men) or 45.5 (women) + 0.91 x (height in cm - 152.4)",
        ("mechanics", "body-weight"),
        _MECHANICS,
    ),
    "plateau_cmh2o": Formula(f"alveolar pressure at the end of inspiration, {_BREATH}", ("mechanics",), _MECHANICS),
    "driving_pressure_cmh2o": Formula(
        f"plateau - total PEEP, {_BREATH}", ("mechanics", "driving-pressure"), _MECHANICS
    ),
    "total_peep_cmh2o": Formula(f"alveolar pressure at the end of expiration, {_BREATH}", ("mechanics",), _MECHANICS),
    "intrinsic_peep_cmh2o": Formula(
        f"total PEEP - set PEEP - own in-line PEEP valve, {_BREATH}", ("mechanics",), _MECHANICS
    ),
    "end_inspiratory_flow_l_per_min": Formula(
        f"flow into the patient when inspiration ends, {_BREATH}", ("mechanics",), _MECHANICS
    ),
    "minute_volume_l_per_min": Formula("tidal volume x rate", ("mechanics",), _MECHANICS),
    "peak_pressure_cmh2o": Formula(f"highest pressure at the patient's wye, {_BREATH}", ("mechanics",), _MECHANICS),
    "backflow_ml": Formula(
        f"volume that flows the wrong way through both branches, {_BREATH}", ("mechanics",), _MECHANICS
    ),
    "paco2_mmhg": Formula(_TYPED_PACO2, ("paco2", "mechanics"), (*_MECHANICS, *_CO2)),
    "ph": Formula(
        "pH = 6.1 + log10(bicarbonate / (0.0307 x PaCO2)), from the patient's own bicarbonate",
        ("ph", "paco2"),
        ("bicarbonate_mmol_per_l", *_CO2, *_MECHANICS),
    ),
    "spo2_pct": Formula(
        "arterial content = end-capillary content - shunt / (1 - shunt) x arteriovenous difference; saturation by "
        "the dissociation curve with the pH shift",
        ("oxygen", "paco2"),
        (*_O2, *_CO2, *_MECHANICS),
    ),
    "mechanical_power_j_per_min": Formula(
        "pressure control: 0.098 x rate x VT x (peak pressure at the wye), VT in L; volume control: 0.098 x rate x "
        "VT x (peak - driving pressure / 2)",
        ("power", "mechanics"),
        _MECHANICS,
    ),
}


class WhyAnswer(Answer):
    """One number, how it comes about, and what it rests on."""

    schema_: Annotated[Literal["airyoke/why/1"], Field(alias="schema")] = "airyoke/why/1"
    version: str
    bed: str
    quantity: str
    unit: str
    figure: FigureAnswer
    judge: str
    draws: int
    seed: int
    formula: str
    sources: list[NoteAnswer]
    settings: SettingsAnswer | None
    build: str
    estimates: list[EstimateAnswer]
    present: list[InputAnswer]
    read_at: str | None
    read_by: str | None
    cautions: list[NoteAnswer]


def explain(
    answer: GroupAnswer,
    patients: tuple[Patient, ...],
    path: str,
    *,
    read: dict[str, tuple[datetime | None, str | None]] | None = None,
) -> WhyAnswer:
    """One figure of ``answer``, named ``LABEL QUANTITY`` (``3 paco2_mmhg``; the unit may be left out).

    ``patients`` are the lungs behind the answer; ``read`` tells when and by whom each label was read.
    Raises :class:`airyoke.quantities.Refused` for a label or quantity that is not there.
    """
    label, key = split_path(path, [one.label for one in answer.patients])
    answered = next(one for one in answer.patients if one.label == label)
    patient = next(one for one in patients if one.label == label)
    formula = _formula_for(key, patient)
    at, by = (read or {}).get(label, (None, None))
    return WhyAnswer(
        version=__version__,
        bed=label,
        quantity=key,
        unit=quantity(key).unit,
        figure=FigureAnswer.of(_figure(answered, key)),
        judge=answer.judge,
        draws=answer.draws,
        seed=answer.seed,
        formula=formula.text,
        sources=[NoteAnswer(id=one.id, text=one.text) for one in answer.sources if one.id in formula.sources],
        settings=SettingsAnswer.of(answer.settings),
        build=answer.build,
        estimates=[EstimateAnswer.of(one) for one in _estimates(patient, formula)],
        present=_present(patient, key),
        read_at=None if at is None else at.isoformat(),
        read_by=by,
        cautions=caution_answers(answer.cautions),
    )


def split_path(path: str, labels: list[str]) -> tuple[str, str]:
    """``3 paco2`` as (label, key). Raises ``Refused`` where either is not known; labels may hold spaces."""
    label, _, wanted = path.strip().rpartition(" ")
    if label not in labels:
        near = did_you_mean(label, labels)
        remedy = f"did you mean {near}?" if near else f"there are {', '.join(sorted(labels))}"
        reason = f"no patient {label!r} got a number here" if label else "name a bed and a quantity: '3 paco2_mmhg'"
        raise Refused((Finding("why-unknown", "refused", reason, remedy, column="--why", value=path),))
    names = {alias: key for key in FORMULAS for alias in (key, quantity(key).stem, name_words(key).replace(" ", "_"))}
    key = names.get(wanted) or names.get(wanted.casefold())
    if key is None:
        near = did_you_mean(wanted, FORMULAS)
        remedy = f"did you mean {near}?" if near else f"the quantities are {', '.join(FORMULAS)}"
        reason = f"there is no quantity {wanted!r} in an answer"
        raise Refused((Finding("why-unknown", "refused", reason, remedy, column="--why", value=path),))
    return label, key


def _formula_for(key: str, patient: Patient) -> Formula:
    """A patient with a present PaCO2 is judged from that, not from the CO2 production."""
    formula = FORMULAS[key]
    if patient.present is None or patient.present.paco2_mmhg is None:
        return formula
    if key == "ph":
        return replace(formula, text=f"{formula.text}, which {_ACUTE_RESPONSE}")
    if key != "paco2_mmhg":
        return formula
    return Formula(_PRESENT_PACO2, formula.sources, (*_MECHANICS, "airway_dead_space_ml"))


def _present(patient: Patient, key: str) -> list[InputAnswer]:
    """The present state that the figure is anchored to: draws are made to reproduce it before settings move."""
    now = patient.present
    if now is None:
        return []
    ventilation = {
        "paco2_mmhg": now.paco2_mmhg,
        "tidal_volume_ml": now.tidal_volume_ml,
        "rate_per_min": now.rate_per_min,
        "added_dead_space_ml": now.apparatus_dead_space_ml,
    }
    by_figure: dict[str, dict[str, float | None]] = {
        "paco2_mmhg": ventilation,
        "ph": {**ventilation, "ph": now.ph},
        "spo2_pct": {"pao2_mmhg": now.pao2_mmhg, "spo2_pct": now.spo2_pct, "fio2": now.fio2},
        "total_peep_cmh2o": {"peep_cmh2o": now.set_peep_cmh2o, "total_peep_cmh2o": now.total_peep.value},
    }
    return [
        InputAnswer(quantity=name, value=known_number(value))
        for name, value in by_figure.get(key, {}).items()
        if value is not None
    ]


def _estimates(patient: Patient, formula: Formula) -> list[Estimate]:
    by_key = {one.quantity: one for one in estimates_of(patient.lungs)}
    return [by_key[key] for key in formula.estimates if key in by_key]


def _figure(answered: PatientAnswer, key: str) -> Figure:
    return answered.figures.get(key, Figure(None))
