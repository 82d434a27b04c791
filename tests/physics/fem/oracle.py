"""Finite elements for eddy currents and circuit with fixed geometry and constant conductivity; no part of physics.

Axisymmetric, without displacement current. Unknown is the azimuthal vector potential A on the upper half of the
meridian section (P2 triangles). Every turn is a solid conductor with its own voltage and all carry the coil current.
Field, turns and circuit are advanced together by the two-stage, second-order, L-stable singly diagonally implicit
Runge-Kutta method (R. Alexander, SIAM J. Numer. Anal. 14 (1977) 1006; from memory, high).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import SuperLU, splu
from skfem import Basis, BilinearForm, ElementTriP2, LinearForm

from tests.physics.fem.meshing import Fineness, Floats, Ints, Region, SectionMesh, Shape, mesh_section

VACUUM_PERMEABILITY = 4e-7 * np.pi
GAMMA = 1.0 - 1.0 / np.sqrt(2.0)
QUADRATURE_ORDER = 6


@dataclass(frozen=True)
class Conductor:
    """A conductor of the upper half: a turn that carries the coil current, or a closed part without voltage."""

    shape: Shape
    conductivity_s_per_m: float
    edge_m: float
    is_turn: bool

    @property
    def is_cut(self) -> bool:
        """Whether the mid-plane cuts it, so that the upper half holds half of it."""
        return self.shape == self.shape.mirrored()


@dataclass(frozen=True)
class Circuit:
    """The bank and all that lies in series with the coil."""

    capacitance_farad: float
    charge_voltage_v: float
    inductance_henry: float
    resistance_ohm: float


@dataclass(frozen=True)
class Probe:
    """A place in air on the mid-plane and the radius round it within which the potential is smooth."""

    r_m: float
    radius_m: float

    def weights(self, places: Floats) -> Floats:
        """What to weight the potentials with to get B_z: from a least-squares polynomial, even in z."""
        x, y = (places[0] - self.r_m) / self.radius_m, places[1] / self.radius_m
        near = np.flatnonzero(np.hypot(x, y) < 1.0)
        degree = 6 if len(near) >= 32 else 4  # of 16 and of 9 terms
        powers = [(i, j) for i in range(degree + 1) for j in range(0, degree + 1 - i, 2)]
        inverse = np.linalg.pinv(np.column_stack([x[near] ** i * y[near] ** j for i, j in powers]))
        weights = np.zeros(places.shape[1])
        weights[near] = inverse[powers.index((1, 0))] / self.radius_m + inverse[powers.index((0, 0))] / self.r_m
        return weights


@dataclass(frozen=True)
class AxisProbe:
    """The axis at the mid-plane, and the radius round it within which the potential is smooth."""

    radius_m: float

    def weights(self, places: Floats) -> Floats:
        """What to weight the potentials with to get B_z, 2 A / r: from a polynomial odd in r and even in z."""
        x, y = places[0] / self.radius_m, places[1] / self.radius_m
        near = np.flatnonzero(np.hypot(x, y) < 1.0)
        powers = [(i, j) for i in (1, 3, 5) for j in range(0, 6 - i, 2)]
        inverse = np.linalg.pinv(np.column_stack([x[near] ** i * y[near] ** j for i, j in powers]))
        weights = np.zeros(places.shape[1])
        weights[near] = 2.0 * inverse[powers.index((1, 0))] / self.radius_m
        return weights


@dataclass(frozen=True)
class Matrices:
    """The upper half of the field problem on the degrees of freedom that are not bound to zero.

    `stiffness @ A + mass @ dA/dt = turns @ V` and `turns.T @ dA/dt - conductance * V + share * I = 0`, with one
    voltage a turn and `share` one half for a turn that the mid-plane cuts.
    """

    stiffness: sp.csc_matrix
    part_mass: sp.csc_matrix
    coil_mass: sp.csc_matrix
    turns: Floats
    conductance: Floats
    share: Floats
    part_current: Floats
    radial_force: sp.csr_matrix
    axial_force: sp.csr_matrix
    gap_field: Floats
    triangles_count: int

    @property
    def mass(self) -> sp.csc_matrix:
        return self.part_mass + self.coil_mass


def axial_field(u: Any, r: Any) -> Any:
    """B_z of the potential u."""
    return u.grad[0] + u / r


@BilinearForm
def stiffness_form(u: Any, v: Any, w: Any) -> Any:
    """2π/µ0 ∫ (∂u/∂z ∂v/∂z + (1/r) ∂(ru)/∂r (1/r) ∂(rv)/∂r) r dr dz."""
    r = w.x[0]
    return 2 * np.pi / VACUUM_PERMEABILITY * (u.grad[1] * v.grad[1] + axial_field(u, r) * axial_field(v, r)) * r


@BilinearForm
def mass_form(u: Any, v: Any, w: Any) -> Any:
    """2π ∫ σ u v r dr dz."""
    return 2 * np.pi * w.conductivity * u * v * w.x[0]


@BilinearForm
def radial_force_form(u: Any, v: Any, w: Any) -> Any:
    """Force towards the axis, -J B_z, of the field of the potential u on the current density J = -σ v."""
    return 2 * np.pi * w.conductivity * v * axial_field(u, w.x[0]) * w.x[0]


@BilinearForm
def axial_force_form(u: Any, v: Any, w: Any) -> Any:
    """Force away from the mid-plane, -J B_r = J ∂u/∂z, of the field of the potential u on J = -σ v."""
    return -2 * np.pi * w.conductivity * v * u.grad[1] * w.x[0]


@LinearForm
def current_form(v: Any, w: Any) -> Any:
    """∫ σ v dr dz: minus the current that the rate of change v of the potential drives."""
    return w.conductivity * v


def assemble(conductors: list[Conductor], fineness: Fineness, probe: Probe | AxisProbe | None = None) -> Matrices:
    """Mesh the section and assemble its matrices."""
    reach = max(c.shape.reach() for c in conductors)
    regions = [Region(c.shape, c.edge_m, i if c.is_turn else len(conductors)) for i, c in enumerate(conductors)]
    section = mesh_section(regions, fineness.outer_ratio * reach, fineness)
    basis = Basis(section.mesh, ElementTriP2(), intorder=QUADRATURE_ORDER)
    numbers = [i for i, c in enumerate(conductors) if c.is_turn]
    turns = [_conductivity(section, basis, conductors, [i]) for i in numbers]
    coil = _conductivity(section, basis, conductors, numbers)
    part = _conductivity(section, basis, conductors, [i for i, c in enumerate(conductors) if not c.is_turn])
    free = _free(basis, section)
    return Matrices(
        stiffness=stiffness_form.assemble(basis)[free][:, free].tocsc(),
        part_mass=mass_form.assemble(basis, conductivity=part)[free][:, free].tocsc(),
        coil_mass=mass_form.assemble(basis, conductivity=coil)[free][:, free].tocsc(),
        turns=np.array([current_form.assemble(basis, conductivity=t)[free] for t in turns]).reshape(-1, len(free)).T,
        conductance=np.array([np.sum(t / (2 * np.pi * _radius(basis)) * basis.dx) for t in turns]),
        share=np.array([0.5 if conductors[i].is_cut else 1.0 for i in numbers]),
        part_current=current_form.assemble(basis, conductivity=part)[free],
        radial_force=radial_force_form.assemble(basis, conductivity=part)[free][:, free].tocsr(),
        axial_force=axial_force_form.assemble(basis, conductivity=part)[free][:, free].tocsr(),
        gap_field=probe.weights(basis.doflocs)[free] if probe else np.zeros(len(free)),
        triangles_count=section.mesh.t.shape[1],
    )


def _conductivity(section: SectionMesh, basis: Basis, conductors: list[Conductor], numbers: list[int]) -> Floats:
    """Conductivity at every quadrature point, zero but in the numbered conductors."""
    table = np.zeros(len(conductors) + 1)  # air is region -1: the last
    table[numbers] = [conductors[i].conductivity_s_per_m for i in numbers]
    return np.repeat(table[section.region][:, None], basis.dx.shape[1], axis=1)


def _radius(basis: Basis) -> Floats:
    return np.asarray(np.asarray(basis.global_coordinates())[0])


def _free(basis: Basis, section: SectionMesh) -> Ints:
    """Degrees of freedom off the axis and off the outer boundary; the mid-plane is free, which is its symmetry."""
    tiny = 1e-9 * section.radius_m
    bound = basis.get_dofs(lambda x: (x[0] < tiny) | ((x[1] > tiny) & (np.hypot(*x) > 0.98 * section.radius_m)))
    return np.setdiff1d(np.arange(basis.N), bound.all())


class State(NamedTuple):
    """Potential, coil current and bank voltage."""

    potential: Floats
    current_a: float
    bank_voltage_v: float


class Rate(NamedTuple):
    """Derivatives of the state, and the voltage of each turn, at one stage of a step."""

    potential: Floats
    current: float
    bank_voltage: float
    turn_voltage_v: Floats


class Stepper:
    """One step size, factorised once."""

    def __init__(self, matrices: Matrices, circuit: Circuit, step_s: float) -> None:
        self.m, self.circuit, self.reach_s = matrices, circuit, GAMMA * step_s
        self.step_s = step_s
        factor: SuperLU = splu(
            (matrices.mass + self.reach_s * matrices.stiffness).tocsc(),
            permc_spec="MMD_AT_PLUS_A",
            diag_pivot_thresh=0.0,
            options={"SymmetricMode": True},
        )
        self.solve = factor.solve
        self.response = self.solve(matrices.turns)
        self.inverse = np.linalg.inv(self._small_matrix())

    def _small_matrix(self) -> Floats:
        """Equations of the turns' voltages and of the rate of the current, the field eliminated."""
        m, circuit, reach = self.m, self.circuit, self.reach_s
        count = len(m.share)
        matrix = np.zeros((count + 1, count + 1))
        matrix[:count, :count] = m.turns.T @ self.response - np.diag(m.conductance)
        matrix[:count, count] = m.share * reach
        # A turn that is not cut stands for two, one above and one below the mid-plane.
        matrix[count, :count] = 2 * m.share
        matrix[count, count] = (
            circuit.inductance_henry + reach * circuit.resistance_ohm + reach**2 / circuit.capacitance_farad
        )
        return matrix

    def rate(self, start: State) -> Rate:
        """The derivative k with f(start + γ h k) = k."""
        m, circuit, reach = self.m, self.circuit, self.reach_s
        free_rate = self.solve(-(m.stiffness @ start.potential))
        driving_v = start.bank_voltage_v
        driving_v -= (circuit.resistance_ohm + reach / circuit.capacitance_farad) * start.current_a
        solved = self.inverse @ np.append(-m.share * start.current_a - m.turns.T @ free_rate, driving_v)
        turn_voltage_v, current_rate = solved[:-1], float(solved[-1])
        discharge = -(start.current_a + reach * current_rate) / circuit.capacitance_farad
        return Rate(free_rate + self.response @ turn_voltage_v, current_rate, discharge, turn_voltage_v)

    def step(self, start: State) -> tuple[State, Rate, Rate]:
        """The state after a step and the rates at both stages, the second of which is at its end."""
        first = self.rate(start)
        middle = _moved(start, first, (1 - GAMMA) * self.step_s)
        second = self.rate(middle)
        return _moved(middle, second, GAMMA * self.step_s), first, second


def _moved(state: State, rate: Rate, time_s: float) -> State:
    return State(
        state.potential + time_s * rate.potential,
        state.current_a + time_s * rate.current,
        state.bank_voltage_v + time_s * rate.bank_voltage,
    )


@dataclass(frozen=True)
class History:
    """What happened at the end of each step; heats are sums from the start, in whole conductors."""

    time_s: Floats
    current_a: Floats
    bank_voltage_v: Floats
    part_current_a: Floats
    force_n: Floats
    axial_force_half_n: Floats
    gap_field_tesla: Floats
    field_energy_j: Floats
    coil_heat_j: Floats
    workpiece_heat_j: Floats
    stray_heat_j: Floats

    def energy_residual_ratio(self, circuit: Circuit) -> float:
        """The largest gap in the energy balance over the stored energy."""
        stored = 0.5 * circuit.capacitance_farad * circuit.charge_voltage_v**2
        kept = 0.5 * circuit.capacitance_farad * self.bank_voltage_v**2 + self.field_energy_j
        kept = kept + 0.5 * circuit.inductance_henry * self.current_a**2
        spent = self.coil_heat_j + self.workpiece_heat_j + self.stray_heat_j
        return float(np.abs((kept + spent) / stored - 1.0).max())


def run(matrices: Matrices, circuit: Circuit, step_s: float, end_s: float, beyond_zero_ratio: float = 1.3) -> History:
    """Discharge the bank up to a time, or to a multiple of the time of the first current zero if that is sooner."""
    stepper = Stepper(matrices, circuit, step_s)
    state = State(np.zeros(matrices.stiffness.shape[0]), 0.0, circuit.charge_voltage_v)
    rows = [_row(matrices, state, None)]
    heats = [np.zeros(3)]
    for number in range(1, round(end_s / step_s) + 1):
        before = state
        state, first, second = stepper.step(before)
        middle_a = before.current_a + stepper.reach_s * first.current
        # The method's own weights, so that heat is integrated as the state is.
        heat = (1 - GAMMA) * _powers(matrices, circuit, first, middle_a)
        heat += GAMMA * _powers(matrices, circuit, second, state.current_a)
        heats.append(heats[-1] + step_s * heat)
        rows.append(_row(matrices, state, second))
        if state.current_a < 0.0 <= before.current_a:
            end_s = min(end_s, beyond_zero_ratio * number * step_s)
        if number * step_s >= end_s:
            break
    time_s = np.asarray(step_s * np.arange(len(rows)), dtype=np.float64)
    return History(time_s, *np.array(rows).T, *np.array(heats).T)


def _row(m: Matrices, state: State, rate: Rate | None) -> list[float]:
    """The instantaneous columns of the history, doubled where the lower half adds the same."""
    change = rate.potential if rate else np.zeros_like(state.potential)
    return [
        state.current_a,
        state.bank_voltage_v,
        -2 * float(m.part_current @ change),
        2 * float(change @ (m.radial_force @ state.potential)),
        float(change @ (m.axial_force @ state.potential)),
        float(m.gap_field @ state.potential),
        float(state.potential @ (m.stiffness @ state.potential)),
    ]


def _powers(m: Matrices, circuit: Circuit, rate: Rate, current_a: float) -> Floats:
    """Heating of coil, workpiece and series resistance."""
    change, voltage = rate.potential, rate.turn_voltage_v
    # ∫ σ (V / 2πr - dA/dt)² 2πr dr dz with ∫ σ dA/dt = G V - share I
    coil = change @ (m.coil_mass @ change) + np.sum(voltage * (2 * m.share * current_a - m.conductance * voltage))
    part = change @ (m.part_mass @ change)
    return np.array([2 * coil, 2 * part, circuit.resistance_ohm * current_a**2])
