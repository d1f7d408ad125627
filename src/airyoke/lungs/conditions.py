"""Conditions that bear on sharing, each with its default rule and its reason. All rules are judgements of
practice without a source; a site changes them in its policy.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

# never: this patient stays alone · ask: somebody decides, and the plan says so · allow: of no consequence
# here
Rule = Literal["never", "ask", "allow"]


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition. ``from_readings``: shown by the readings, nobody writes it. ``must_match``: equal in a
    group.
    """

    id: str
    text: str
    rule: Rule
    would_change: str
    must_match: bool = False
    from_readings: bool = False


CONDITIONS: Final[tuple[Condition, ...]] = (
    Condition(
        "raised-intracranial-pressure",
        "Raised intracranial pressure: PaCO2 has to be kept for this patient alone.",
        "never",
        "The pressure is normal and no longer a concern.",
    ),
    Condition(
        "pregnancy",
        "Pregnancy: PaCO2 and oxygenation have to be kept for the child as well.",
        "never",
        "Nothing while pregnant.",
    ),
    Condition(
        "air-leak",
        "Active air leak: it takes volume and pressure from the others and triggers breaths.",
        "never",
        "The leak has stopped.",
    ),
    Condition(
        "untreated-pneumothorax",
        "Untreated pneumothorax: under tension, the shared ventilator would not show it.",
        "never",
        "It is drained and the lung is up.",
    ),
    Condition(
        "status-asthmaticus",
        "Status asthmaticus: it needs a rate and an expiratory time of its own.",
        "never",
        "The attack is over and the expiratory time constant is short again.",
    ),
    Condition(
        "extubation-expected",
        "Extubation is expected within 24 hours: weaning is not possible on a shared circuit.",
        "never",
        "Extubation is no longer expected within 24 hours.",
    ),
    Condition(
        "tube-trouble",
        "Trouble with the tube (leak, kink, obstruction): every intervention opens the circuit.",
        "never",
        "The tube is changed or the trouble is over.",
    ),
    Condition(
        "resistant-germ",
        "Resistant germ: only together with patients who carry the same one.",
        "ask",
        "Cultures are negative.",
        must_match=True,
    ),
    Condition(
        "obstructive-lung-disease",
        "Obstructive lung disease: trapping decides the rate for everybody.",
        "ask",
        "Expiratory time constant and total PEEP are measured and short.",
    ),
    Condition(
        "right-ventricular-failure",
        "Right ventricular failure or pulmonary hypertension: a rise of PaCO2 or of PEEP may not be borne.",
        "ask",
        "Echocardiography shows recovery.",
    ),
    Condition(
        "unstable-trend",
        "The lungs are changing quickly: a match found now may not last.",
        "ask",
        "Mechanics and gas are steady over some hours.",
    ),
    Condition(
        "heavy-secretions",
        "Heavy secretions: frequent suction and a wet filter disturb the others.",
        "ask",
        "Secretions are less.",
    ),
    Condition(
        "heated-humidification",
        "Needs heated humidification: a shared circuit uses filters, never both; dead space rises.",
        "ask",
        "A heat and moisture exchanging filter is tolerated.",
    ),
    Condition(
        "reinforced-tube",
        "Reinforced tube: it stays shut once it is clamped or bitten, so a clamp cannot be used on it.",
        "ask",
        "The tube is changed.",
    ),
    Condition(
        "height-guessed",
        "The height was guessed: the predicted body weight, and with it every limit per kg, may be wrong.",
        "ask",
        "Height is measured.",
    ),
    Condition(
        "limits-of-care",
        "Limits of care are set: sharing may not be what was agreed.",
        "ask",
        "The limits are discussed with sharing in view.",
    ),
    Condition(
        "family-not-informed",
        "The family has not been told.",
        "ask",
        "The family is told.",
    ),
    Condition(
        "expiratory-time-constant-long",
        "The expiratory time constant is longer than the policy allows.",
        "never",
        "Bronchodilation, suction or a wider tube, and the resistance measured again.",
        from_readings=True,
    ),
    Condition(
        "ph-low",
        "The present pH is lower than the policy allows.",
        "never",
        "A blood gas with a higher pH on the patient's own ventilator.",
        from_readings=True,
    ),
    Condition(
        "fio2-high",
        "The present FiO2 is higher than the policy allows.",
        "never",
        "Less FiO2 is enough on the patient's own ventilator.",
        from_readings=True,
    ),
    Condition(
        "vasopressor-high-or-rising",
        "The dose of vasopressor is high or rising.",
        "never",
        "The dose is low and steady.",
        from_readings=True,
    ),
)
