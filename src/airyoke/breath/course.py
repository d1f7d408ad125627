"""Seconds to minutes of a group from a state on, with events: clamps, holes, efforts, other settings, holds, a stop.

    before, after = standard_build(2).network, clamped
    course = run_course([before, after], settings, lungs, 60.0, [Change(20.0, network=1)])
    course.tidal_volume_ml[0, :, 1]  # of patient 1, breath by breath, nan after the last whole one
    course.machine.exhaled_ml[0]     # what the machine's own sensor saw of it

Definitions are those of ``engine``, breath by breath: tidal volume is what leaves the lung after the end of
inspiration; plateau and total PEEP are alveolar, muscles included. The machine reads pressure at its inspiratory port
and at the expiratory splitter (behind valves, either may see what the other does not): end of inspiration and mean at
the first, end of expiration at the second, peak and high pressure limit at whichever is higher. A suction catheter is
an ``Opening`` whose far end is below the room; a clamp a ``BLOCKED`` limb; a cough an effort below zero. Without bias
flow nothing makes up for leaks in expiration. A breath that the course's end cuts off is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from airyoke.breath import advance as c
from airyoke.breath import layout as k
from airyoke.breath.engine import FINE, THREADS, Accuracy, breath_plan, settle, split
from airyoke.breath.events import Change, Effort, event_rows
from airyoke.breath.loading import NEVER
from airyoke.breath.machine import Bench, Rules
from airyoke.breath.mechanics import Floats, Integers, LungMechanics, lung_rows, wide_rows
from airyoke.breath.packing import PackedNetworks, pack
from airyoke.breath.settings import Settings
from airyoke.breath.wide import EDGE
from airyoke.circuit.network import FlowNetwork

__all__ = ["Change", "Course", "Curves", "Effort", "Machine", "MachineBreaths", "curves_of_breath", "run_course"]

SAMPLE_S = 0.01
FAR_CMH2O = 1000.0  # below a vacuum, or beyond any circuit


@dataclass(frozen=True, slots=True)
class Machine:
    """When the machine starts a breath by itself, and when it ends one; ``None`` is off.

    ``pressure_trigger_cmh2o`` below PEEP at either port, ``flow_trigger_l_per_min`` of the bias flow that does not come
    back; neither within 0.2 s of the end of inspiration. ``high_pressure_limit_cmh2o`` at either turns the breath to
    expiration.
    """

    pressure_trigger_cmh2o: float | None = None
    flow_trigger_l_per_min: float | None = None
    high_pressure_limit_cmh2o: float | None = None


@dataclass(frozen=True, slots=True)
class MachineBreaths:
    """What the machine's sensors show of each breath, (runs, breaths), nan after the last."""

    inspired_ml: Floats
    exhaled_ml: Floats  # through its expiratory valve, what it gave during expiration taken off
    peak_cmh2o: Floats
    plateau_cmh2o: Floats
    peep_cmh2o: Floats
    mean_cmh2o: Floats
    splitter_peak_cmh2o: Floats  # at the inspiratory splitter, as that of a settled breath; behind the trunk


@dataclass(frozen=True, slots=True)
class Curves:
    """At every ``times_s``: (runs, times), of patients (runs, times, patients); nan where a run had failed."""

    times_s: Floats
    port_cmh2o: Floats
    splitters_cmh2o: Floats  # (runs, times, 2): inspiratory, expiratory
    inspiratory_flow_l_per_min: Floats
    expiratory_flow_l_per_min: Floats
    wye_cmh2o: Floats
    alveolar_cmh2o: Floats
    flow_l_per_min: Floats  # into the lung
    volume_ml: Floats  # above the lung's own volume at rest


@dataclass(frozen=True, slots=True)
class Course:
    """Answers of a course: (runs, breaths), of patients (runs, breaths, patients), nan after the last whole breath."""

    starts_s: Floats
    inspiratory_time_s: Floats
    triggered: NDArray[np.bool_]
    cut_short: NDArray[np.bool_]
    tidal_volume_ml: Floats
    plateau_cmh2o: Floats
    total_peep_cmh2o: Floats
    peak_cmh2o: Floats  # at the wye
    backflow_ml: Floats
    leaked_ml: Floats  # (runs, breaths), through all openings
    patient_leaked_ml: Floats
    machine: MachineBreaths
    breaths: Integers  # (runs,)
    steps: Integers  # (runs,)
    repeats: NDArray[np.bool_]  # (runs,): its last breath is every further one
    failed: tuple[str, ...]  # why a run is no answer, "" where it is one
    end: Floats  # (runs, nodes): where a further course may start
    curves: Curves | None = None


def run_course(
    networks: FlowNetwork | Sequence[FlowNetwork] | PackedNetworks,
    settings: Settings | Sequence[Settings],
    lungs: LungMechanics,
    duration_s: float,
    changes: Sequence[Change] = (),
    *,
    machines: Machine | Sequence[Machine] = Machine(),
    network_of: Integers | None = None,
    settings_of: Integers | None = None,
    lungs_of: Integers | None = None,
    machine_of: Integers | None = None,
    start: Floats | None = None,
    peak_before_cmh2o: Floats | None = None,
    repeat: float | None = None,
    accuracy: Accuracy = FINE,
    curves: bool = False,
    threads: int = THREADS,
) -> Course:
    """Breathe ``duration_s`` seconds from the settled breath of each run (or the states ``start``) on.

    ``repeat``: a run ends early, and says so in ``repeats``, once no event is to come and its breaths repeat within
    this part of the largest volume (pressures: of 20 cmH2O). ``peak_before_cmh2o`` (runs,): at the inspiratory
    splitter in the breath before ``start``, by which a machine that compensates for its circuit begins.

    As many runs as ``lungs_of`` has entries (one for each row of ``lungs`` where None); the other indices default to
    the first. A run is named in ``failed`` where no settled breath to start from was found, where steps collapsed or
    where a pressure left what a circuit can hold. ``threads`` changes no result. Raises ``ValueError`` as ``settle``
    and ``event_rows`` do, and for a flow trigger that the bias flow cannot reach.
    """
    if not isinstance(networks, PackedNetworks):
        networks = pack((networks,) if isinstance(networks, FlowNetwork) else networks)
    settings = (settings,) if isinstance(settings, Settings) else tuple(settings)
    machines = (machines,) if isinstance(machines, Machine) else tuple(machines)
    patients = lungs.shape[1]
    if networks.limbs.shape[1] != patients:
        raise ValueError(f"lungs of {patients} patients need networks with {patients} limbs")
    if not 0.0 < duration_s < NEVER:
        raise ValueError("a course takes some time")
    who = np.arange(lungs.shape[0]) if lungs_of is None else np.asarray(lungs_of, np.int64)
    runs = len(who)
    network, dialled, machine = (
        np.zeros(runs, np.int64) if of is None else np.asarray(of, np.int64)
        for of in (network_of, settings_of, machine_of)
    )
    for one in machines:
        flows = [dial.bias_flow_l_per_min for dial in settings]
        if one.flow_trigger_l_per_min is not None and max(flows) < one.flow_trigger_l_per_min:
            raise ValueError(f"a flow trigger of {one.flow_trigger_l_per_min:g} L/min needs as much bias flow")
    rows = (len(networks.limbs), lungs.shape[0], len(settings), len(machines))
    events = event_rows(changes, runs, patients, duration_s, rows)
    plans = [breath_plan(one) for one in settings]
    circuit = networks.compliance_ml_per_cmh2o[network] / 1000.0
    rules = Rules(
        np.array([phases for phases, _ in plans]), np.array([row for _, row in plans]),
        np.array([_bounds(one) for one in machines]), circuit,
    )  # fmt: skip
    failed = [""] * runs
    peak = rules.rows[dialled, k.SET_PEEP] if peak_before_cmh2o is None else peak_before_cmh2o
    if start is None:
        first = settle(
            networks, settings, lungs.rows(who), network_of=network, settings_of=dialled, accuracy=accuracy,
            threads=threads,
        )  # fmt: skip
        start = first.end
        failed = ["" if good else "no settled breath to start from" for good in first.settled]
        peak = first.ventilator_peak_cmh2o
    rise = np.maximum(peak - rules.rows[dialled, k.SET_PEEP], 0.0)
    compensates = rules.rows[dialled, k.COMPENSATES] > 0.0
    scale = np.where(compensates, 1.0 + circuit * rise / rules.rows[dialled, k.SET_VOLUME], 1.0)
    wide = wide_rows(lungs)
    plain = lung_rows(lungs)

    def refill(state: Floats, which: Integers, before: Integers, after: Integers) -> None:
        _refill(state, which, patients, plain, wide, before, after)

    bench = Bench(rules, events, start, network, who, dialled, machine, scale, patients, duration_s, refill, repeat)
    bench.failed |= np.array([name != "" for name in failed])
    samples = _breathe(bench, networks, plain, wide, duration_s, accuracy.final, curves, threads)
    names = [
        name or ("steps collapsed" if bad else "") or ("a pressure left what a circuit can hold" if far else "")
        for name, bad, far in zip(failed, bench.failed, _is_far(bench.state, patients), strict=True)
    ]
    return _answer(bench, tuple(names), samples)


def curves_of_breath(networks: FlowNetwork | PackedNetworks, settings: Settings, lungs: LungMechanics) -> Curves:
    """Curves of the settled breath of every row of ``lungs``, from its first hundredth of a second to its end.

    Raises ``ValueError`` where one does not settle.
    """
    course = run_course(networks, settings, lungs, settings.period_s + 1e-6, curves=True)
    if any(course.failed):
        raise ValueError(next(name for name in course.failed if name))
    assert course.curves is not None
    return course.curves


def _bounds(machine: Machine) -> list[float]:
    flow = machine.flow_trigger_l_per_min
    return [
        NEVER if machine.high_pressure_limit_cmh2o is None else machine.high_pressure_limit_cmh2o,
        NEVER if machine.pressure_trigger_cmh2o is None else machine.pressure_trigger_cmh2o,
        NEVER if flow is None else flow / 60.0,
    ]


def _breathe(
    bench: Bench, networks: PackedNetworks, plain: Floats, wide: Floats, duration_s: float, tolerance: float,
    with_curves: bool, threads: int,
) -> Floats:  # fmt: skip
    """Phase after phase until every run is over. Returns the samples."""
    runs = len(bench.now)
    count = int(duration_s / SAMPLE_S + 1e-9) if with_curves else 0
    samples = np.full((runs, count, c.SAMPLE_COLUMNS), np.nan)
    counts = np.zeros(runs, np.int64)
    phases = np.zeros((runs, c.COURSE_COLUMNS))
    results = np.zeros((runs, c.RESULT_COLUMNS))
    nested, holes = networks.nested_always, networks.holes_always
    while True:
        bench.apply_events()
        who = np.flatnonzero(~bench.failed & ~bench.repeats & (bench.now < duration_s - 1e-9))
        if not len(who):
            return samples
        table, left = bench.phases(who)
        phases[who] = table
        efforts = bench.effort.copy()
        efforts[:, :, c.E_AT] -= bench.now[:, None]
        before = bench.state[who].copy()
        tables = (networks.limbs, networks.trunks, plain, bench.network, bench.lungs)

        def work(
            first: int, last: int, who: Integers = who, tables: object = tables, efforts: Floats = efforts
        ) -> None:
            c.advance_range(
                first, last, bench.patients, who, tables, nested, (holes, wide), phases, efforts, bench.state, results,
                tolerance, SAMPLE_S if with_curves else 0.0, samples, counts,
            )  # fmt: skip

        split(work, len(who), threads)
        bench.account(who, before, results, left)


def _refill(
    state: Floats, who: Integers, patients: int, plain: Floats, wide: Floats, before: Integers, after: Integers
) -> None:
    """Other lungs at the pressures that the old ones had."""
    for i in range(patients):
        pressure = _pressure(state[who, 3 + 2 * i], plain[before, i], wide[before, i])
        slow = np.where(
            wide[before, i, k.SLOW_G] > 0.0, state[who, k.SLOW + i] * wide[before, i, k.SLOW_ELASTANCE], pressure
        )
        state[who, 3 + 2 * i] = _volume(pressure, plain[after, i], wide[after, i])
        there = wide[after, i, k.SLOW_G] > 0.0
        state[who, k.SLOW + i] = np.where(there, slow / wide[after, i, k.SLOW_ELASTANCE], 0.0)


def _curve(wide: Floats) -> tuple[NDArray[np.bool_], Floats, Floats, Floats]:
    there = wide[:, k.SIGMOID_SPAN] > 0.0
    return (
        there, np.where(there, wide[:, k.SIGMOID_SPAN], 1.0), wide[:, k.SIGMOID_CENTRE], wide[:, k.SIGMOID_WIDTH],
    )  # fmt: skip


def _pressure(volume: Floats, plain: Floats, wide: Floats) -> Floats:
    there, span, centre, width = _curve(wide)
    inside = np.clip(volume / span, EDGE, 1.0 - EDGE)
    bent = centre + width * (np.log(inside / (1 - inside)) + (volume / span - inside) / (inside * (1 - inside)))
    return np.where(there, bent, volume * plain[:, k.ELASTANCE])


def _volume(pressure: Floats, plain: Floats, wide: Floats) -> Floats:
    there, span, centre, width = _curve(wide)
    end = np.log((1.0 - EDGE) / EDGE)
    above = (pressure - centre) / width
    inside = np.clip(above, -end, end)
    bent = span * (1.0 / (1.0 + np.exp(-inside)) + (above - inside) * EDGE * (1.0 - EDGE))
    return np.where(there, bent, pressure / plain[:, k.ELASTANCE])


def _is_far(state: Floats, patients: int) -> NDArray[np.bool_]:
    pressures = np.concatenate([state[:, :2], state[:, 2 : 2 + 2 * patients : 2]], axis=1)
    return np.asarray(np.any(~(np.abs(pressures) < FAR_CMH2O), axis=1))


def _answer(bench: Bench, failed: tuple[str, ...], samples: Floats) -> Course:
    most = max(int(bench.count.max()), 1)
    kept = {name: values[:, :most] for name, values in bench.kept.items()}
    n = bench.patients
    curves = None
    if samples.shape[1]:
        own = samples[:, :, c.S_PATIENT :].reshape(*samples.shape[:2], k.MAX_PATIENTS, 4)[:, :, :n]
        curves = Curves(
            SAMPLE_S * np.arange(1, samples.shape[1] + 1), samples[:, :, c.S_PORT],
            samples[:, :, c.S_SPLITTER_IN : c.S_SPLITTER_OUT + 1], 60.0 * samples[:, :, c.S_ENTERING],
            60.0 * samples[:, :, c.S_LEAVING], own[..., 0], own[..., 1], 60.0 * own[..., 2], 1000.0 * own[..., 3],
        )  # fmt: skip
    return Course(
        starts_s=kept["starts"],
        inspiratory_time_s=kept["inspiratory_time"],
        triggered=kept["triggered"] > 0.0,
        cut_short=kept["cut_short"] > 0.0,
        tidal_volume_ml=1000.0 * kept["volume"],
        plateau_cmh2o=kept["plateau"],
        total_peep_cmh2o=kept["total_peep"],
        peak_cmh2o=kept["peak"],
        backflow_ml=1000.0 * kept["backflow"],
        leaked_ml=1000.0 * kept["leaked"],
        patient_leaked_ml=1000.0 * kept["patient_leaked"],
        machine=MachineBreaths(
            1000.0 * kept["inspired"], 1000.0 * kept["exhaled"], kept["port_peak"], kept["port_plateau"],
            kept["port_peep"], kept["port_mean"], kept["splitter_peak"],
        ),
        breaths=bench.count,
        steps=bench.steps,
        repeats=bench.repeats,
        failed=failed,
        end=bench.state,
        curves=curves,
    )
