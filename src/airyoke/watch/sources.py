"""Where a line of this room comes from."""

from __future__ import annotations

from typing import Final

JUDGEMENT: Final = "judgement, no source"
COMMON_PRACTICE: Final = "common practice, no source"
TONETTI_2020: Final = "Tonetti, Thorax 2020;75:517"
FDA_2021: Final = "FDA letter of 9 February 2021"
JOINT_STATEMENT_2020: Final = "joint statement SCCM, AARC, ASA, APSF, AACN, CHEST, 26 March 2020"
THIAULT_2008: Final = "Ann Fr Anesth Reanim 2008;27:148 (heat and moisture exchangers, no longer than 24 h)"
BOLES_2007: Final = "Boles, Eur Respir J 2007;29:1033, readiness for weaning (from memory)"
