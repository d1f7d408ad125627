"""The parts catalogue: generic kinds, none of any maker, with typical data of each.

All data are typical values of low confidence, from memory where no source is named: a site should overwrite them
with package data or its own measurement (pressure drop at 30 and 60 L/min is enough, see ``measured``). Ends are the
usual ones; they vary between makers, so look before you push. Orifices are computed (``flow_laws``).
"""

from __future__ import annotations

from collections.abc import Iterable

from airyoke.circuit.ends import End, end
from airyoke.circuit.flow_laws import orifice_quadratic_cmh2o_s2_per_l2
from airyoke.circuit.network import Element
from airyoke.circuit.part import MEMORY, Kind, Part

BACK_LEAK = 0.00005  # L/s/cmH2O: about 50 mL/min at 15 cmH2O, from memory
LOOK = "look at its ends: they vary"
FILTER_SOURCE = (
    f"{MEMORY}; penetration and liquid breakthrough: Wilkes 2002, Cann 2006 (10.1111/j.1365-2044.2006.04581.x)"
)
ORIFICE_SOURCE = (
    "computed: sharp-edged orifice, discharge coefficient 0.62, in a 22 mm bore; a rounded inlet has 32 to 57 % less"
)
RESTRICTOR_DIAMETERS_MM = (3.0, 3.5, 4.0, 4.5, 5.0, 6.0)

TWO_FEMALE = (end("a", "22F"), end("b", "22F"))
ONE_WAY = (end("in", "22F", "in"), end("out", "22M", "out"))
IN_LINE = (end("in", "22F"), end("out", "22M"))
FILTER_ENDS = (end("machine", "22F/15M"), end("patient", "22M/15F"))
FIFTEEN_THROUGH = (end("machine", "15M"), end("patient", "22M/15F"))


def _tube(name: str, meaning: str, short: str, bore: float, length: float, k1: float, k2: float, c: float) -> Part:
    """A hose 22F-22F. Volume is that of its bore; corrugated tubing holds up to a quarter more (from memory)."""
    volume = 1000.0 * 3.141592653589793 / 4.0 * (bore / 1000.0) ** 2 * length * 1000.0
    return Part(
        name, meaning, Element(k1, k2), c, 0.0, MEMORY, "tube", TWO_FEMALE, None, round(volume, 1), bore, length,
        short=short, use="one patient's flow only: too narrow for a trunk" if bore < 20.0 else "",
    )  # fmt: skip


def _adapter(name: str, meaning: str, a: str, b: str, short: str, k2: float = 0.02) -> Part:
    return Part(
        name, meaning, Element(0.0, k2), 0.01, 0.0, MEMORY, "sleeve", (end("a", a), end("b", b)), None, 5.0, 0.0,
        short=short, use=LOOK,
    )  # fmt: skip


def _restrictor(diameter_mm: float) -> Part:
    k2 = round(orifice_quadratic_cmh2o_s2_per_l2(diameter_mm, bore_mm=22.0), 2)
    size = f"{diameter_mm:.1f} mm"
    return Part(
        f"restrictor-{diameter_mm:.1f}mm", f"fixed restrictor, {size} orifice", Element(0.0, k2), 0.01, 0.0,
        ORIFICE_SOURCE, "restrictor", IN_LINE, None, 8.0, diameter_mm, short=f"restrictor {size}",
        use="inspiratory branch only; mark it, test each piece, treat its resistance as 40 % uncertain",
        confidence="computed",
    )  # fmt: skip


def _caps() -> Iterable[Part]:
    for size, gender in (("22", "F"), ("22", "M"), ("15", "F"), ("15", "M")):
        yield Part(
            f"cap-{size}{gender.lower()}", f"cap {size}{gender}: closes a {size}{'M' if gender == 'F' else 'F'} end",
            Element(0.0), 0.0, 0.0, MEMORY, "cap", (end("a", f"{size}{gender}"),), short=f"cap {size}{gender}",
        )  # fmt: skip


def _filter(
    name: str, meaning: str, kind: Kind, short: str, k1: float, k2: float, c: float, volume: float, dead: float,
    use: str, source: str = MEMORY, ends: tuple[End, ...] = FILTER_ENDS,
) -> Part:  # fmt: skip
    return Part(name, meaning, Element(k1, k2), c, dead, source, kind, ends, None, volume, short=short, use=use)


PARTS: dict[str, Part] = {
    part.name: part
    for part in (
        Part("y-piece", "Y-piece 22 mm: splitter, or patient wye", Element(0.0, 0.2), 0.02, 5.0, MEMORY, "wye",
             (end("common", "22M/15F"), end("left", "22M"), end("right", "22M")), None, 15.0, 18.0, short="Y-piece",
             use=LOOK),
        Part("t-piece", "T-piece 22 mm: splitter for three or four patients", Element(0.0, 0.3), 0.02, 5.0, MEMORY,
             "tee", (end("run-a", "22M"), end("run-b", "22M"), end("branch", "22M")), Element(0.0, 0.1), 15.0, 18.0,
             short="T-piece", use=LOOK),
        Part("one-way-valve", "one-way valve 22 mm, flap or diaphragm", Element(1.2, 0.3), 0.02, 20.0, MEMORY,
             "valve", ONE_WAY, None, 20.0, 18.0, 0.0, 0.3, BACK_LEAK, short="one-way valve",
             use="test each alone before building"),
        _tube("tube-22mm-1500mm", "corrugated tube 22 mm, 1.5 m, one limb", "tube 1.5 m", 22.0, 1.5, 0.2, 0.8, 0.8),
        _filter("hmef", "heat and moisture exchanging filter, one at every patient", "hmef", "HMEF", 2.0, 1.0, 0.06,
                50.0, 50.0, "24 h at most; never with a heated humidifier; its resistance rises when wet",
                f"{MEMORY}; 24 h: Ann Fr Anesth Reanim 2008;27:148"),
        _filter("expiratory-filter", "breathing filter on the shared expiratory limb", "filter", "filter", 1.0, 0.5,
                0.15, 80.0, 0.0, "12 to 24 h; change when its pressure drop has doubled: it carries everybody's flow"),
        _adapter("sleeve-22f-22f", "short sleeve 22F-22F, ventilator port to Y-piece", "22F", "22F", "sleeve"),
        Part("catheter-mount", "catheter mount with elbow", Element(0.0, 0.6), 0.03, 25.0, MEMORY, "mount",
             (end("machine", "22F"), end("patient", "22M/15F")), None, 25.0, 15.0, 0.1, short="catheter mount"),
        Part("capnograph-adapter", "capnograph adapter, one at every patient", Element(0.0, 0.05), 0.01, 6.0, MEMORY,
             "capnograph", FIFTEEN_THROUGH, None, 6.0, 15.0, short="CO₂ adapter",
             use="sidestream draws 50 to 200 mL/min: the ventilator sees a leak"),
        Part("t-piece-22f", "T-piece 22 mm, one end of its run female", Element(0.0, 0.3), 0.02, 5.0, MEMORY,
             "tee", (end("run-a", "22F"), end("run-b", "22M"), end("branch", "22M")), Element(0.0, 0.1), 15.0, 18.0,
             short="T-piece", use=LOOK),
        Part("one-way-valve-spring", "one-way valve 22 mm, spring or duckbill", Element(1.5, 0.5), 0.02, 20.0,
             MEMORY, "valve", ONE_WAY, None, 20.0, 18.0, 0.0, 1.5, BACK_LEAK, short="spring valve",
             use="opens at 1 to 2 cmH2O: that much is missing from every breath's pressure"),
        _tube("tube-22mm-300mm", "corrugated tube 22 mm, 0.3 m", "tube 0.3 m", 22.0, 0.3, 0.04, 0.2, 0.16),
        _tube("tube-22mm-500mm", "corrugated tube 22 mm, 0.5 m", "tube 0.5 m", 22.0, 0.5, 0.07, 0.3, 0.27),
        _tube("tube-22mm-1000mm", "corrugated tube 22 mm, 1.0 m", "tube 1.0 m", 22.0, 1.0, 0.13, 0.55, 0.53),
        _tube("tube-22mm-1800mm", "corrugated tube 22 mm, 1.8 m", "tube 1.8 m", 22.0, 1.8, 0.24, 0.96, 0.96),
        _tube("tube-22mm-smooth-1800mm", "smooth-bore tube 22 mm, 1.8 m", "smooth 1.8 m", 22.0, 1.8, 0.1, 0.35, 0.7),
        _tube("tube-15mm-1500mm", "tube 15 mm bore with 22 mm ends, 1.5 m", "15 mm 1.5 m", 15.0, 1.5, 0.25, 0.85,
              0.4),
        _adapter("sleeve-22m-22m", "connector 22M-22M: joins two tubes", "22M", "22M", "connector"),
        _adapter("adapter-22f-15m", "adapter 22F-15M", "22F", "15M", "22F-15M", 0.1),
        _adapter("adapter-22m-15m", "adapter 22M-15M", "22M", "15M", "22M-15M", 0.1),
        _adapter("adapter-22f-15f", "adapter 22F-15F", "22F", "15F", "22F-15F", 0.1),
        _adapter("adapter-22m-15f", "adapter 22M-15F", "22M", "15F", "22M-15F", 0.1),
        _adapter("sleeve-15f-15f", "sleeve 15F-15F", "15F", "15F", "15F-15F", 0.1),
        _adapter("sleeve-15m-15m", "connector 15M-15M", "15M", "15M", "15M-15M", 0.1),
        _adapter("adapter-30f-22m", "adapter 30F-22M, to gas scavenging", "30F", "22M", "30F-22M"),
        _adapter("adapter-30f-22f", "adapter 30F-22F, to gas scavenging", "30F", "22F", "30F-22F"),
        _filter("filter-pleated", "pleated hydrophobic breathing filter", "filter", "pleated filter", 2.0, 1.0, 0.08,
                80.0, 80.0, "holds back liquid up to about 82 cmH2O (median of 9 types)", FILTER_SOURCE),
        _filter("filter-electrostatic", "electrostatic breathing filter", "filter", "el. filter", 1.2, 0.6, 0.06,
                40.0, 40.0, "wet, it passes liquid at 12 cmH2O (median): below airway pressure. Keep it dry, or do "
                "without", FILTER_SOURCE),
        _filter("hme-without-filter", "heat and moisture exchanger without a filter", "hme", "HME", 1.2, 0.6, 0.04,
                35.0, 35.0, "24 h at most; needs a filter beside it; never with a heated humidifier"),
        _filter("expiratory-cartridge", "filter cartridge for the expiratory limb", "filter", "cartridge", 1.0, 0.5,
                0.17, 150.0, 150.0, "change when its pressure drop has doubled",
                ends=(end("machine", "22F"), end("patient", "22M"))),
        Part("elbow", "elbow 90 degrees", Element(0.0, 0.35), 0.01, 8.0, MEMORY, "elbow", FIFTEEN_THROUGH, None, 8.0,
             15.0, short="elbow"),
        Part("capnograph-cuvette", "mainstream capnograph cuvette", Element(0.0, 0.1), 0.01, 7.0, MEMORY,
             "capnograph", FIFTEEN_THROUGH, None, 7.0, 13.0, short="CO₂ cuvette"),
        Part("closed-suction", "closed suction swivel", Element(0.0, 0.3), 0.02, 10.0, MEMORY, "suction",
             (end("machine", "15M"), end("patient", "15F")), None, 10.0, 13.0, short="closed suction",
             use="one patient at a time, inspiratory branch open, 10 s at most; flush port capped"),
        *(_restrictor(diameter) for diameter in RESTRICTOR_DIAMETERS_MM),
        Part("restrictor-adjustable", "adjustable restrictor, fully open", Element(0.0, 0.5), 0.01, 0.0, MEMORY,
             "restrictor", IN_LINE, None, 10.0, short="adj. restrictor",
             use="its resistance is whatever it is set to: measure, mark and lock it"),
        Part("peep-valve-in-line", "spring PEEP valve, in line, outlet captured", Element(2.0, 1.0), 0.02, 0.0, MEMORY,
             "peep_valve", ONE_WAY, None, 30.0, short="PEEP valve",
             use="expiratory branch, after the one-way valve; adds its setting to this patient's PEEP"),
        Part("peep-valve-venting", "spring PEEP valve, open to the room", Element(2.0, 1.0), 0.02, 0.0, MEMORY,
             "peep_valve", (end("in", "22F", "in"), end("out", "30M", "out")), None, 30.0, venting=True,
             short="PEEP valve, venting", use="for a resuscitation bag; never inside a limb: the breath is lost to "
             "the room and the ventilator reads low"),
        *_caps(),
        Part("test-lung", "test lung", Element(0.0, 0.0), 35.0, 0.0, MEMORY, "test_lung",
             (end("a", "22F/15M"),), None, 700.0, short="test lung"),
        Part("humidifier-chamber", "heated humidifier chamber", Element(0.1, 0.2), 0.4, 0.0, MEMORY, "humidifier",
             (end("in", "22M"), end("out", "22M")), None, 350.0, short="humidifier",
             use="never with an HME or HMEF; level below the patients; drain water"),
    )
}  # fmt: skip

PART_NAMES: tuple[str, ...] = tuple(PARTS)
