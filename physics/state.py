"""The state of a coupled run: models, fields, heat, and what is recorded; each a plain tuple of arrays."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from physics.circuit import Discharge, Unknowns, count
from physics.deformation import Body
from physics.geometry import Points
from physics.mesh import CoilMesh, PartMesh
from physics.plasticity import Strength
from physics.turns import Turns

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# How a run ends.
COMPLETED, STOPPED_EARLY, OVER_CRUSHED, BORE_CLOSED, RIM_EXTRUDED, MATERIAL_LIMIT, NOT_CONVERGED = range(7)

# Columns of the recorded rows.
(
    TIME,
    CURRENT,
    VOLTAGE,
    PART_CURRENT,
    FIELD,
    FORCE,
    OUTER,
    INNER,
    COIL_INNER,
    PART_TEMPERATURE,
    COIL_TEMPERATURE,
    SPEED,
    BANK_CURRENT,
    CENTRE_FIELD,
    COIL_VOLTAGE,
    TURN_VOLTAGE,
    LAYER_VOLTAGE,
    HEAT_OUTSIDE,
    HEAT_COIL,
    HEAT_PART,
    WORK_PART,
    MOTION_PART,
    MOTION_COIL,
    ENERGY_ARC,
    ENERGY_FIELD,
) = range(25)
COLUMNS = 25

# Entries of the totals.
(
    STRAY_HEAT,
    DROP_HEAT,
    COIL_HEAT,
    PART_HEAT,
    ARC_ENERGY,
    CHARGE,
    ACTION,
    IMPULSE,
    COIL_HEAT_TO_ZERO,
    PART_HEAT_TO_ZERO,
    ZERO_TIME,
    BURST_TIME,
    BURST_CURRENT,
    FINAL_OUTER,
    FINAL_INNER,
    FINAL_RIM,
    FINAL_CENTRE,
    MAGNETIC,
    LOWEST_VOLTAGE,
    ASSEMBLIES,
    STEP,
    CROWBAR_HEAT,
    BANK_ACTION,
    BURST_FIELD,
    BURST_VOLTAGE,
    SPARK_ACTION,
    HIGHEST_BANK_CURRENT,
    PART_ELASTIC,
    PART_MOTION,
    COIL_ELASTIC,
    COIL_MOTION,
    PART_ASSEMBLIES,
) = range(32)
TOTALS = 32


# Entries of what is between coil and part: the power of one over the distance that its slopes follow, the distance (m)
# that they belong to, and what they and the change of the matrix are to be multiplied by at the present distance.
STEEPNESS, DISTANCE, OF_SLOPES, OF_CHANGE = range(4)
# The first of them until it is known: the median of 160 random shots.
_USUAL_STEEPNESS = 0.4


class Tables(NamedTuple):
    """Thermal properties of the metals of a run over uniform grids of specific enthalpy; row 0 is the coil's.

    `strength` has the constants of :class:`physics.plasticity.Strength`, one metal a row.
    """

    start: Floats  # (metals,) J/kg
    spacing: Floats  # (metals,) J/kg
    limit: Floats  # (metals,) J/kg, end of validity
    temperature: Floats  # (metals, points) K
    resistivity: Floats  # (metals, points) ohm m
    molten: Floats  # (metals, points)
    softness: Floats  # (metals, points) thermal factor of the flow stress; what has melted bears nothing
    strength: Floats  # (metals, 12)


class Controls(NamedTuple):
    """Numerical and model constants of a run, SI."""

    steps_to_peak: float
    steps_when_still: float
    current_change: float  # in a step while things move, over its peak
    spark_growth: float  # of a spark's action in a step
    courant: float  # step of the mechanics over the largest stable one
    motion: bool
    stop_time: float
    quiet_time: float
    window: float
    half_width: float  # m, of the bare conductor along the radius
    rupture_strain: float
    fracture_energy: float
    arc_fall: float
    arc_relighting: float
    arc_gradient: float
    taylor_quinney: float


class Model(NamedTuple):
    """Everything a run works on."""

    coil: CoilMesh
    part: PartMesh
    turns: Turns
    body: Body
    points: Points
    unknowns: Unknowns
    discharge: Discharge
    coil_strength: Strength
    tables: Tables
    controls: Controls


class Fields(NamedTuple):
    """Matrices and vectors of the electrical side."""

    filament_base: Floats  # (n, n) H, of the section last assembled ...
    filament_by_radius: Floats  # (points, n) H/m ... and its slopes
    filament_by_height: Floats
    by_swelling: Floats  # (points,) H, of the own inductance by the logarithm of the mean distance
    base: Floats  # (size, size), the same for the independent currents
    by_radius: Floats  # (points, size)
    by_height: Floats
    rows: Floats  # (n, size) what motion has changed since
    swelling: Floats  # (n,)
    base_radius: Floats
    base_height: Floats
    base_mean_distance: Floats
    half: Floats
    before: Floats  # (size, size), lower triangle, of the sections at both ends of a step; they change places
    after: Floats
    flux: Floats
    last_flux: Floats
    current: Floats
    first_current: Floats
    resistance: Floats
    coil_resistivity: Floats
    part_resistivity: Floats
    pair: Floats  # (5, points), scratch of the assembly
    layer_voltage: Floats  # (layers,) V
    linked_base: Floats  # (n, turns) H, columns of the turns' centre filaments, of the section last assembled ...
    turns_by_radius: Floats  # (points, turns) H/m ... and their slopes
    turns_by_height: Floats
    linked: Floats  # (n, turns) H, the same of the present section
    linkage: Floats  # (turns,) Wb, scratch
    field_by_current: Floats  # (2, points) T/A of their cell's current, on the mid-plane: in the gap and on the axis
    field_within: Floats  # (columns,) T/Wb, mean field within a column by the linkage of its cell at the mid-plane
    window: Floats  # m: radii of turns, rims and bores of slices, levels, as they were when the window of motion opened
    part_window: Floats  # likewise, when the part was last cut and assembled by itself
    between: Floats  # (4,) what is between coil and part as the gap opens within the window, by the indices below
    seen_by_coil: Floats  # (size,) A, independent currents as they push the coil, and as they push the part
    seen_by_part: Floats


class Heat(NamedTuple):
    """Enthalpy from ohmic heat per kilogram of filaments and cells, the last step's share, and what follows from it."""

    ohmic: Floats
    last: Floats
    mass: Floats  # kg of one filament or upper-half cell
    metal: Ints  # row of the tables
    enthalpy: Floats  # J/kg, with that from plastic work
    temperature: Floats  # K
    softness: Floats  # (slices, motion cells) thermal factor of the flow stress
    turn_softness: Floats
    turn_molten: Floats  # (turns,) molten share of every turn, and a step before
    turn_molten_before: Floats
    turn_temperature: Floats
    hottest: Floats  # (2,) K, any filament of the coil and any cell of the part
    rise: Floats  # (1,) largest ohmic heat of the last step, over the whole range of the metal's data


def make_fields(model: Model) -> Fields:
    """Fields of the right sizes, zeroed but for the slopes of points: most of their rows are not used.

    An assembly clears those that are.
    """
    unknowns, points = model.unknowns, model.points.radius.size
    slices, cells = model.body.pressure.shape
    n = unknowns.filaments + unknowns.cells
    size, turns = count(unknowns), unknowns.centre.size
    return Fields(
        filament_base=np.zeros((n, n)),
        filament_by_radius=np.empty((points, n)),
        filament_by_height=np.empty((points, n)),
        by_swelling=np.zeros(points),
        base=np.zeros((size, size)),
        by_radius=np.empty((points, size)),
        by_height=np.empty((points, size)),
        rows=np.zeros((n, size)),
        swelling=np.zeros(n),
        base_radius=np.zeros(points),
        base_height=np.zeros(points),
        base_mean_distance=np.zeros(points),
        half=np.zeros((size, size)),
        before=np.zeros((size, size)),
        after=np.zeros((size, size)),
        flux=np.zeros(size),
        last_flux=np.zeros(size),
        current=np.zeros(n),
        first_current=np.zeros(n),
        resistance=np.zeros(n),
        coil_resistivity=np.zeros(unknowns.filaments),
        part_resistivity=np.zeros(unknowns.cells),
        pair=np.zeros((5, points)),
        layer_voltage=np.zeros(model.coil.turn_layer[-1] + 1),
        linked_base=np.zeros((n, turns)),
        turns_by_radius=np.empty((points, turns)),
        turns_by_height=np.empty((points, turns)),
        linked=np.zeros((n, turns)),
        linkage=np.zeros(turns),
        field_by_current=np.zeros((2, points)),
        field_within=np.zeros(model.part.motion_in_column.shape[0]),
        window=np.zeros(model.turns.radius.size + slices * (2 + cells)),
        part_window=np.zeros(model.turns.radius.size + slices * (2 + cells)),
        between=np.array([_USUAL_STEEPNESS, 0.0, 1.0, 1.0]),
        seen_by_coil=np.zeros(size),
        seen_by_part=np.zeros(size),
    )


def make_heat(model: Model, enthalpy: Floats) -> Heat:
    """Heat at the start; `enthalpy` (J/kg, above 293.15 K) is that of each metal of the tables."""
    coil, part, density = model.coil, model.part, model.tables.strength[:, 0]
    length = 2.0 * np.pi * model.turns.first_radius[coil.turn]
    metal = np.concatenate([np.zeros(coil.turn.size, dtype=np.int64), part.slice_metal[part.cell_slice]])
    volume = np.concatenate([coil.area_m2 * length, part.cell_volume_m3])
    turns = model.turns.radius.size
    return Heat(
        ohmic=enthalpy[metal],
        last=np.zeros(metal.size),
        mass=density[metal] * volume,
        metal=metal,
        enthalpy=enthalpy[metal],
        temperature=np.zeros(metal.size),
        softness=np.zeros(model.body.pressure.shape),
        turn_softness=np.zeros(turns),
        turn_molten=np.zeros(turns),
        turn_molten_before=np.zeros(turns),
        turn_temperature=np.zeros(turns),
        hottest=np.zeros(2),
        rise=np.zeros(1),
    )
