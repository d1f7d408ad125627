"""Where every number stands: columns of the tables that go into and come out of the compiled core, and the rows of
its workspace.

Inside: cmH2O, litres, seconds.
"""

from __future__ import annotations

MAX_PATIENTS = 4
MAX_BRIDGES = 2 * (MAX_PATIENTS - 2)  # stretches between a splitter and one behind it, on both sides
MAX_JUNCTIONS = 2 + MAX_BRIDGES
SITES = MAX_JUNCTIONS + 2 * MAX_PATIENTS  # where gas may leave for the room: junctions, then wyes, then lungs

# Columns of a limb row.
IN_R, IN_K, IN_CRACK, IN_LEAK, IN_ONE_WAY = 0, 1, 2, 3, 4
OUT_R, OUT_K, OUT_CRACK, OUT_LEAK, OUT_ONE_WAY = 5, 6, 7, 8, 9
WYE_C, PATIENT_R, PATIENT_K = 10, 11, 12  # the last two lie between wye and tube, passed both ways
IN_SIGN, OUT_SIGN = 13, 14  # -1 where the valve is fitted the wrong way round; read by the wide kernel only
LIMB_COLUMNS = 15

# Columns of a trunk row.
TRUNK_IN_R, TRUNK_IN_K, TRUNK_OUT_R, TRUNK_OUT_K, SPLITTER_IN_C, SPLITTER_OUT_C = 0, 1, 2, 3, 4, 5
TRUNK_COLUMNS = 6

# Columns of a bridge row: a stretch between two splitters, and the compliance at its far one.
BETWEEN_R, BETWEEN_K, BETWEEN_C = 0, 1, 2
BRIDGE_COLUMNS = 3

# Columns of a lung row.
ELASTANCE, LUNG_R_IN, LUNG_R_OUT, LUNG_K = 0, 1, 2, 3
LUNG_COLUMNS = 4

# The wide kernel's own tables. An opening: coefficients, whether it is there, what lies beyond it.
HOLE_R, HOLE_K, HOLE_CRACK, HOLE_ONE_WAY, HOLE_OPEN, HOLE_OUTSIDE, HOLE_DRAWS = range(7)
HOLE_COLUMNS = 7
# A lung that is more than one compliance: sigmoid curve (span 0 = none), slow compartment (conductance 0 = none).
SIGMOID_SPAN, SIGMOID_CENTRE, SIGMOID_WIDTH, SLOW_G, SLOW_ELASTANCE = range(5)
WIDE_COLUMNS = 5

# Columns of a phase: pressures and flows change linearly from *_0 to *_1 over the duration.
DURATION, PRESSURE_0, PRESSURE_1, FLOW_0, FLOW_1, SOURCE_OPEN, EXPIRATORY_OPEN, IS_SET_VOLUME = 0, 1, 2, 3, 4, 5, 6, 7
PHASE_COLUMNS = 8
MAX_PHASES = 5

# Columns of a settings row.
SET_PEEP, PHASES_IN_INSPIRATION, PHASES, COMPENSATES, SET_VOLUME, MAX_FLOW = 0, 1, 2, 3, 4, 5
SET_DRIVE, FILLING_TIME, EMPTYING_TIME = 6, 7, 8  # drive 0 = volume control; for the first guess only
PERIOD = 9
SETTING_COLUMNS = 10

# Per patient results.
OUT_VT, OUT_PLATEAU, OUT_TOTAL_PEEP, OUT_END_FLOW, OUT_PEAK, OUT_BACKFLOW, OUT_HOLD_IN_WYE, OUT_HOLD_EX_WYE = range(8)
OUT_LEAKED = 8
PATIENT_RESULTS = 9
# Per scenario results.
(
    RES_DELIVERED,
    RES_EXHALED,
    RES_PEAK,
    RES_HOLD_IN_INSP,
    RES_HOLD_IN_EXP,
    RES_HOLD_EX_INSP,
    RES_HOLD_EX_EXP,
    RES_STATUS,
    RES_BREATHS,
    RES_STEPS,
    RES_LEAKED,
) = range(11)
RES_STATE = 11  # the state at the end of the breath

CONVERGED, TOO_MANY_BREATHS, STEP_FAILED = 0, 1, 2

# Rows of the workspace; a row holds one number of eight scenarios. A state is: pressure of the inspiratory splitter,
# of the expiratory one, per patient wye pressure and lung volume, the pressures of splitters behind the first; in the
# wide kernel also the volume of each slow compartment, and meters: what the machine gave and took, what openings at
# junctions took, and those of each patient. Rows that a network does not need stay zero.
SLOW = 2 + 2 * MAX_PATIENTS + MAX_BRIDGES
METER_IN = SLOW + MAX_PATIENTS
METER_OUT = METER_IN + 1
METER_JUNCTIONS = METER_IN + 2
METER_PATIENT = METER_IN + 3
NODES = METER_PATIENT + MAX_PATIENTS
SCENARIO_RESULTS = RES_STATE + NODES
Y = 0  # the state
FLOW = Y + NODES  # net flow into each node at the start of the step
K1 = FLOW + NODES
K2 = K1 + NODES
K3 = K2 + NODES
K4 = K3 + NODES
CARRIED = K4 + NODES  # what a stage takes over from those before it
NOTHING = CARRIED + NODES  # stays zero
STAGE_Y = NOTHING + NODES
STAGE_FLOW = STAGE_Y + NODES
MASS = STAGE_FLOW + NODES  # compliance of each pressure node, 1 for a volume
Y_TI = MASS + NODES  # the state at the end of inspiration
Y_END = Y_TI + NODES

# Three rows a patient each: of the branch in, of the lung, of the branch out.
CONDUCTANCE = Y_END + NODES
STAGE_CONDUCTANCE = CONDUCTANCE + 3 * MAX_PATIENTS
ELIMINATED = STAGE_CONDUCTANCE + 3 * MAX_PATIENTS  # 1/(a + g E), g E/(a + g E), and the wye's share

# One row a patient each.
REVERSED = ELIMINATED + 3 * MAX_PATIENTS  # reversed flow at the start of the step
STAGE_REVERSED = REVERSED + MAX_PATIENTS
THROUGH = STAGE_REVERSED + MAX_PATIENTS  # conductance between lung and splitters, integrated over the phase so far
LOST = THROUGH + MAX_PATIENTS  # the same between lung and room, through openings; stays zero where there are none
PEAK = LOST + MAX_PATIENTS
BACKFLOW = PEAK + MAX_PATIENTS
START = BACKFLOW + MAX_PATIENTS  # lung volume that this breath started from
MISS_BEFORE = START + MAX_PATIENTS  # predicted way still to go, one breath earlier
AIM_BEFORE = MISS_BEFORE + MAX_PATIENTS
END_FLOW = AIM_BEFORE + MAX_PATIENTS

# One row an entry of a patients x patients matrix: change of the volumes now with those at the start of the breath.
MEMORY = END_FLOW + MAX_PATIENTS
MEMORY_TI = MEMORY + MAX_PATIENTS * MAX_PATIENTS  # the same at the end of inspiration

# One row a phase: the first step that was taken in it.
FIRST_STEP = MEMORY_TI + MAX_PATIENTS * MAX_PATIENTS

# What does not change within a scenario: columns of each patient, then the trunks.
PATIENT = FIRST_STEP + MAX_PHASES
(
    P_IN_R,
    P_IN_K4,
    P_IN_CRACK,
    P_IN_LEAK,
    P_IN_ONE_WAY,
    P_OUT_R,
    P_OUT_K4,
    P_OUT_CRACK,
    P_OUT_LEAK,
    P_OUT_ONE_WAY,
    P_LUNG_R_IN,
    P_LUNG_R_OUT,
    P_LUNG_K4,
    P_ELASTANCE,
) = range(14)
PATIENT_ROWS = 14
_ONE_EACH = PATIENT + PATIENT_ROWS * MAX_PATIENTS
(
    T_IN_R,
    T_IN_K4,
    T_OUT_R,
    T_OUT_K4,
    PEEP,
    FLOW_LIMIT,
    SCENARIO_TOLERANCE,
    TOLERANCE,  # in this phase
    LIVE,  # 1 where the lane holds a scenario
    TIME,
    STEP,
    STEP_TAKEN,  # the first accepted of the phase
    STEP_MAX,
    PHASE_TIME,
    KINK,  # time in the phase where the machine's own flow falls below its limit; a step ends there
    PRESSURE,
    PRESSURE_RATE,
    OWN_FLOW,
    OWN_FLOW_RATE,
    SOURCE,
    OUTLET,
    WATCH_IN,
    WATCH_OUT,
    EVENT,  # 1 the phase is over, 2 or more the steps collapsed
    PHASE_STEPS,
    PEAK_IN,
    DELIVERED,
    EXHALED,
    STORED,  # gas in the network when the phase began
    VOLUME_SCALE,
    FINENESS,
    WORST_BEFORE,
    OUTSIDE,  # conductance between the splitters and the machine, integrated over the phase so far
) = range(_ONE_EACH, _ONE_EACH + 33)

# Splitters behind splitters: one row a bridge each, then the matrix of the junctions, factored.
BRIDGE_R = _ONE_EACH + 33
BRIDGE_K4 = BRIDGE_R + MAX_BRIDGES
BRIDGE_CONDUCTANCE = BRIDGE_K4 + MAX_BRIDGES
STAGE_BRIDGE_CONDUCTANCE = BRIDGE_CONDUCTANCE + MAX_BRIDGES
MATRIX = STAGE_BRIDGE_CONDUCTANCE + MAX_BRIDGES

# The wide kernel. Of each lung its elastance now, then the conductance of each opening: at the start of the step, and
# while the stages are evaluated.
LOCAL = MATRIX + MAX_JUNCTIONS * MAX_JUNCTIONS
HOLE_G = LOCAL + MAX_PATIENTS
STAGE_LOCAL = HOLE_G + SITES
ELIMINATED_SLOW = STAGE_LOCAL + MAX_PATIENTS + SITES  # two rows a patient: 1/(a + g E), g E/(a + g E)
SLOW_START = ELIMINATED_SLOW + 2 * MAX_PATIENTS  # as START, of the slow compartments; so are the next
SLOW_MISS = SLOW_START + MAX_PATIENTS
SLOW_MISS_BEFORE = SLOW_MISS + MAX_PATIENTS
SLOW_AIM_BEFORE = SLOW_MISS_BEFORE + MAX_PATIENTS
HOLE = SLOW_AIM_BEFORE + MAX_PATIENTS  # HOLE_COLUMNS rows a site
WIDE = HOLE + HOLE_COLUMNS * SITES  # W_ROWS rows a patient
(
    W_IN_SIGN,
    W_OUT_SIGN,
    W_ELASTANCE,  # of a lung without a sigmoid curve
    W_SPAN,  # of the sigmoid curve, 1 where there is none
    W_CENTRE,
    W_WIDTH,
    W_IS_SIGMOID,
    W_SLOW_G,
    W_SLOW_E,
    W_EFFORT,  # amplitude of the muscles' pressure in this phase, cmH2O
    W_EFFORT_AT,  # when its half sine began, in the phase's time
    W_EFFORT_TIME,  # and how long it lasts
    W_MUSCLE,  # their pressure at the start of the step
    W_MUSCLE_END,  # and at its end
    W_MUSCLE_RATE,
    W_FLOW,  # into the lung
) = range(16)
W_ROWS = 16
(
    G_SOURCE,
    G_EXPIRATORY,
    PORT,  # pressure at the machine's inspiratory port
    ENTERING,
    LEAVING,
    HIGHEST,  # the phase is over where the pressure at this port, or at the expiratory splitter, is above
    LOWEST,  # or below
    MISSING_FLOW,  # or more of what enters does not leave
    ARMED_FROM,  # time in the phase before which the two are not looked at
    NEXT_SAMPLE,
    SAMPLED,
    PEAK_PORT,  # highest of the two
    PORT_SUM,  # port pressure integrated over the phase so far
) = range(WIDE + W_ROWS * MAX_PATIENTS, WIDE + W_ROWS * MAX_PATIENTS + 13)
ROWS = WIDE + W_ROWS * MAX_PATIENTS + 13
