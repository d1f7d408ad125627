"""The volume that a shared machine shows, taken apart so that it can be added up by hand."""

from __future__ import annotations

from airyoke.limits.answer import GroupAnswer


def shown_volume_words(answer: GroupAnswer) -> str | None:
    """``943 mL (876 to the patients, 67 compressed in the circuit)``; ``None`` where it was not computed.

    Rounded so that the figures printed add up.
    """
    shown = answer.ventilator["displayed_tidal_volume_ml"].value
    volumes = [patient.figures["tidal_volume_ml"].value for patient in answer.patients]
    compressed_ml = answer.ventilator["compressed_volume_ml"].value
    if shown is None or compressed_ml is None:
        return None
    to_patients = round(sum(volume or 0.0 for volume in volumes))
    whom = "the patients" if len(volumes) > 1 else "the patient"
    if answer.settings.circuit_compensation == "off":
        return f"{shown:.0f} mL ({to_patients} to {whom}, {round(shown) - to_patients} compressed in the circuit)"
    compressed = round(compressed_ml)
    off = to_patients + compressed - round(shown)
    return (
        f"{shown:.0f} mL ({to_patients} to {whom}, {compressed} compressed in the circuit, "
        f"{off} taken off by circuit compensation)"
    )
