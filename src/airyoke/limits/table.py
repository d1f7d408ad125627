"""The named limits: target to plan for, hard bound never to pass, scale, unit and source of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Side = Literal["low", "high"]
Scope = Literal["patient", "shared", "pair", "entry", "search"]

ARDSNET_2000 = "ARDS Network, N Engl J Med 2000;342:1301"
GUIDELINE_2017 = "ATS/ESICM/SCCM, Am J Respir Crit Care Med 2017;195:1253"
AMATO_2015 = "Amato, N Engl J Med 2015;372:747 (continuous relation); the cut-off is common practice, no source"
BEITLER_2020 = "Beitler, Am J Respir Crit Care Med 2020;202:600, table 1"
JUDGEMENT = "judgement, no source"


@dataclass(frozen=True, slots=True)
class Limit:
    """One side of one named limit.

    ``target`` is what a plan keeps to, ``hard`` what almost nobody may pass (``None``: no hard bound). A margin is
    the signed distance to the bound divided by ``scale``, so that 1 is a comfortable distance. ``scope`` says what
    it is compared with: each patient's prediction, the shared settings, the present values of a pair, a patient
    before sharing (a decision, not a refusal), or the range that the search for settings may use.
    """

    name: str
    side: Side
    target: float
    hard: float | None
    scale: float
    unit: str
    scope: Scope
    meaning: str
    source: str
    hard_source: str = JUDGEMENT

    @property
    def policy_name(self) -> str:
        """The name a policy sheet uses: with the side where the limit has two, else the bare name."""
        return f"{self.name}_{self.side}" if self.name in _TWO_SIDED else self.name

    @property
    def key(self) -> str:
        """Name and side, unique in the table."""
        return f"{self.name}:{self.side}"


_TWO_SIDED = frozenset({"tidal_volume_ml_per_kg", "ph", "rate_per_min", "inspiratory_to_expiratory_ratio"})

LIMITS: tuple[Limit, ...] = (
    Limit("tidal_volume_ml_per_kg", "low", 4.0, 3.5, 2.0, "mL/kg", "patient",
          "tidal volume per kg predicted body weight", f"{ARDSNET_2000}; {GUIDELINE_2017}"),
    Limit("tidal_volume_ml_per_kg", "high", 8.0, 9.0, 2.0, "mL/kg", "patient",
          "tidal volume per kg predicted body weight", f"{ARDSNET_2000}; {GUIDELINE_2017}"),
    Limit("driving_pressure_cmh2o", "high", 15.0, 18.0, 5.0, "cmH2O", "patient",
          "plateau minus total PEEP", AMATO_2015),
    Limit("plateau_cmh2o", "high", 30.0, 32.0, 5.0, "cmH2O", "patient",
          "alveolar pressure at the end of inspiration", f"{ARDSNET_2000}; {GUIDELINE_2017}"),
    Limit("ph", "low", 7.20, 7.15, 0.10, "", "patient",
          "arterial pH from the patient's own bicarbonate", f"{JUDGEMENT}; {ARDSNET_2000} acts at 7.15"),
    Limit("ph", "high", 7.50, 7.55, 0.10, "", "patient",
          "arterial pH from the patient's own bicarbonate", JUDGEMENT),
    Limit("trapped_peep_cmh2o", "high", 3.0, 5.0, 3.0, "cmH2O", "patient",
          "total PEEP above the PEEP that is set for this patient", JUDGEMENT),
    Limit("total_peep_fall_cmh2o", "high", 2.0, 4.0, 2.0, "cmH2O", "patient",
          "present total PEEP minus predicted total PEEP", JUDGEMENT),
    Limit("total_peep_rise_cmh2o", "high", 5.0, 7.0, 5.0, "cmH2O", "patient",
          "predicted total PEEP minus present total PEEP", JUDGEMENT),
    Limit("spo2_pct", "low", 88.0, 85.0, 4.0, "%", "patient",
          "oxygen saturation", f"{ARDSNET_2000} goal"),
    Limit("fio2", "high", 0.80, 1.0, 0.20, "", "shared",
          "inspired oxygen fraction for all: a reserve is kept", JUDGEMENT),
    Limit("fio2_spread", "high", 0.20, None, 0.20, "", "pair",
          "largest difference of the present inspired oxygen fractions", f"{BEITLER_2020} (from memory)"),
    Limit("entry_ph", "low", 7.30, None, 0.10, "", "entry",
          "present arterial pH before sharing: below it, a decision that a person accepts",
          f"{BEITLER_2020} (from memory)"),
    Limit("rate_per_min", "low", 10.0, None, 1.0, "/min", "search", "respiratory rate", JUDGEMENT),
    Limit("rate_per_min", "high", 35.0, None, 1.0, "/min", "search", "respiratory rate", ARDSNET_2000),
    Limit("inspiratory_to_expiratory_ratio", "low", 1 / 3, None, 1.0, "", "search",
          "inspiratory time divided by expiratory time (1:3)", ARDSNET_2000),
    Limit("inspiratory_to_expiratory_ratio", "high", 1.0, None, 1.0, "", "search",
          "inspiratory time divided by expiratory time (1:1)", ARDSNET_2000),
)
