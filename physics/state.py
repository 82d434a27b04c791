"""The state of a coupled run: models, fields, heat, and what is recorded; each a plain tuple of arrays."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import types
from numba.experimental import structref
from numpy.typing import NDArray

from physics.circuit import Discharge, StepWork, Unknowns
from physics.geometry import Loads, Points
from physics.mesh import CoilMesh, PartMesh
from physics.plasticity import Strength
from physics.radial import Body
from physics.turns import Turns

Floats = NDArray[np.float64]

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
) = range(12)
COLUMNS = 12

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
) = range(21)
TOTALS = 21


class Table(NamedTuple):
    """A metal's thermal properties over a uniform grid of specific enthalpy, as plain arrays."""

    start: float
    spacing: float
    temperature: Floats
    resistivity: Floats
    molten: Floats
    limit: float


class Controls(NamedTuple):
    """Numerical and model constants of a run, SI."""

    steps_to_peak: float
    motion: bool
    stop_time: float
    quiet_time: float
    window: float
    wire_radius: float
    rupture_strain: float
    fracture_energy: float
    arc_fall: float
    arc_gradient: float
    taylor_quinney: float
    coil_density: float
    part_mass: float


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
    part_strength: Strength
    coil_table: Table
    part_table: Table
    controls: Controls


class Fields(NamedTuple):
    """Matrices and vectors of the electrical side."""

    base: Floats
    matrix: Floats
    by_radius: Floats
    by_height: Floats
    base_radius: Floats
    base_height: Floats
    base_mean_distance: Floats
    half: Floats
    before: Floats
    after: Floats
    flux: Floats
    current: Floats
    first_current: Floats
    resistance: Floats
    coil_resistivity: Floats
    part_resistivity: Floats


class Heat(NamedTuple):
    """Ohmic heat per kilogram of filaments and cells, the last step's share, and mean temperatures."""

    ohmic: Floats
    last: Floats
    motion_temperature: Floats
    turn_temperature: Floats
    turn_molten: Floats


def _by_reference(plain: Any) -> Any:
    """A twin of a NamedTuple class that compiled functions hand on as one pointer."""

    class Referenced(types.StructRef):
        def preprocess_fields(self, fields: Any) -> Any:
            return tuple((name, types.unliteral(kind)) for name, kind in fields)

    Referenced.__name__ = Referenced.__qualname__ = f"{plain.__name__}Referenced"
    structref.register(Referenced)

    class Reference(structref.StructRefProxy):
        pass

    structref.define_proxy(Reference, Referenced, list(plain._fields))
    return Reference


# Passed by value, the hundreds of array descriptors in these would make compilation take minutes.
CoilRef = _by_reference(CoilMesh)
PartRef = _by_reference(PartMesh)
TurnsRef = _by_reference(Turns)
BodyRef = _by_reference(Body)
PointsRef = _by_reference(Points)
UnknownsRef = _by_reference(Unknowns)
WorkRef = _by_reference(StepWork)
LoadsRef = _by_reference(Loads)
ModelRef = _by_reference(Model)
FieldsRef = _by_reference(Fields)
HeatRef = _by_reference(Heat)


def make_fields(unknowns: Unknowns, points: int) -> Fields:
    """Zeroed fields of the right sizes."""
    n = unknowns.filaments + unknowns.cells
    size = 1 + unknowns.mode_filament.size + unknowns.cells
    return Fields(
        base=np.zeros((n, n)),
        matrix=np.zeros((n, n)),
        by_radius=np.zeros((points, n)),
        by_height=np.zeros((points, n)),
        base_radius=np.zeros(points),
        base_height=np.zeros(points),
        base_mean_distance=np.zeros(points),
        half=np.zeros((n, size)),
        before=np.zeros((size, size)),
        after=np.zeros((size, size)),
        flux=np.zeros(size),
        current=np.zeros(n),
        first_current=np.zeros(n),
        resistance=np.zeros(n),
        coil_resistivity=np.zeros(unknowns.filaments),
        part_resistivity=np.zeros(unknowns.cells),
    )


def make_heat(unknowns: Unknowns, motion_cells: int, turns: int) -> Heat:
    """Heat of a cold start."""
    n = unknowns.filaments + unknowns.cells
    return Heat(np.zeros(n), np.zeros(n), np.zeros(motion_cells), np.zeros(turns), np.zeros(turns))
