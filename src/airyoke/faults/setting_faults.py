"""Faults of what is dialled or delivered: somebody changes a setting, a mode falls back, the gas is wrong."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from typing import Final

from airyoke.breath.settings import Settings
from airyoke.faults.fault import Effect, Fault

AIR: Final = 0.21
ONE_ADULT_ML: Final = 450.0  # what a machine offers when it is put to volume control; judgement
ONE_ADULT_DRIVE_CMH2O: Final = 15.0  # and to pressure control; judgement
BACKUP_RATE_PER_MIN: Final = 12.0
DRIVE_UP_CMH2O: Final = 5.0
COMPARE: Final = "compare with the plan every hour; one author of settings"
JUDGED: Final = "size by judgement, no source"


def setting_faults(settings: Settings, patients: int) -> Iterator[Fault]:
    """What can be dialled wrong on this machine."""
    everybody = "everybody" if patients > 2 else "both" if patients == 2 else "the patient"
    other = "volume control for one adult" if settings.mode == "pc" else "pressure control"
    yield Fault(
        "mode-changed", f"The mode is changed to {other} by mistake", None, f"every CO2 curve; {COMPARE}", JUDGED,
        Effect(settings=_other_mode), also=("mode-vc" if settings.mode == "pc" else "mode-pc",),
    )  # fmt: skip
    yield Fault(
        "backup-started", f"The machine falls back to its backup: {ONE_ADULT_ML:g} mL for one adult, 12/min", None,
        f"every CO2 curve; backup off, or equal to the plan; {COMPARE}", JUDGED, Effect(settings=_backup),
    )  # fmt: skip
    if settings.peep_cmh2o > 0.0:
        yield Fault(
            "peep-zero", f"PEEP is dialled to 0: {everybody} lose theirs", None, f"SpO2 of all; {COMPARE}", JUDGED,
            Effect(settings=_no_peep),
        )  # fmt: skip
    if settings.mode == "pc":
        yield Fault(
            "drive-up", f"Pressure above PEEP is dialled up by {DRIVE_UP_CMH2O:g} cmH2O", None, COMPARE, JUDGED,
            Effect(settings=_more_drive),
        )  # fmt: skip
    else:
        yield Fault(
            "volume-up", "The volume for all is dialled up by a quarter", None, COMPARE, JUDGED,
            Effect(settings=_more_volume),
        )  # fmt: skip
    yield Fault(
        "rate-half", "The rate is dialled to half", None, f"end-tidal CO2 of all rises; {COMPARE}", JUDGED,
        Effect(settings=_half_rate),
    )  # fmt: skip
    if settings.fio2 > AIR:
        yield Fault(
            "oxygen-lost", "Oxygen fails or is dialled to air", None, "SpO2 of all; the machine's oxygen cell",
            "room air", Effect(settings=partial(_fio2, fio2=AIR)), also=("fio2-air",),
        )  # fmt: skip
    if settings.fio2 < 1.0:
        yield Fault(
            "oxygen-100", "The 100 % oxygen key is pressed: everybody gets it", None, COMPARE, JUDGED,
            Effect(settings=partial(_fio2, fio2=1.0)),
        )  # fmt: skip


def _other_mode(settings: Settings) -> Settings:
    if settings.mode == "pc":
        return replace(settings, mode="vc", tidal_volume_ml=ONE_ADULT_ML, pressure_above_peep_cmh2o=None)
    return replace(settings, mode="pc", pressure_above_peep_cmh2o=ONE_ADULT_DRIVE_CMH2O, tidal_volume_ml=None)


def _backup(settings: Settings) -> Settings:
    return replace(
        settings,
        mode="vc",
        tidal_volume_ml=ONE_ADULT_ML,
        pressure_above_peep_cmh2o=None,
        rate_per_min=BACKUP_RATE_PER_MIN,
        pause_s=0.0,
    )


def _no_peep(settings: Settings) -> Settings:
    return replace(settings, peep_cmh2o=0.0)


def _more_drive(settings: Settings) -> Settings:
    return replace(settings, pressure_above_peep_cmh2o=(settings.pressure_above_peep_cmh2o or 0.0) + DRIVE_UP_CMH2O)


def _more_volume(settings: Settings) -> Settings:
    return replace(settings, tidal_volume_ml=1.25 * (settings.tidal_volume_ml or 0.0))


def _half_rate(settings: Settings) -> Settings:
    return replace(settings, rate_per_min=0.5 * settings.rate_per_min)


def _fio2(settings: Settings, fio2: float) -> Settings:
    return replace(settings, fio2=fio2)
