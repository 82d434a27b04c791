"""Explicit two-dimensional axisymmetric solid mechanics, to judge simpler models by.

Bilinear quadrilaterals in the r-z plane, updated Lagrangian, lumped mass, central differences
(velocity form). Deviatoric stress at 2 x 2 Gauss points, one pressure ``-K ln(V/V0)`` in a cell (mean
dilatation, Nagtegaal, Parks & Rice 1974), so plastic flow does not lock; no hourglass modes, hence no
hourglass control. The stress turns with the spin (Jaumann) by an exact rotation; J2 plasticity by radial
return (Wilkins 1964) on Johnson & Cook's flow stress (7th Int. Symp. Ballistics 1983, 541) with
adiabatic heating; linear and quadratic bulk viscosity (von Neumann & Richtmyer 1950).

r = 0 is the axis; z = 0 is a mirror unless a body is made without it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import pi, sqrt

import numpy as np
import numpy.typing as npt

from tests.physics.mechanics.cases import Metal

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LINEAR_VISCOSITY = 0.1
QUADRATIC_VISCOSITY = 1.5
COURANT = 0.7

# Corners of a cell in the order (r-, z-), (r+, z-), (r+, z+), (r-, z+); Gauss points in the same order, weight 1.
_SIGNS = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
_POINTS = _SIGNS / sqrt(3.0)
_LOWER, _UPPER = slice(None, -1), slice(1, None)
_CORNERS = ((_LOWER, _LOWER), (_UPPER, _LOWER), (_UPPER, _UPPER), (_LOWER, _UPPER))

# Shape functions and their derivatives; rows are Gauss points, columns corners.
_N = 0.25 * (1 + _POINTS[:, :1] * _SIGNS[:, 0]) * (1 + _POINTS[:, 1:] * _SIGNS[:, 1])
_N_XI = 0.25 * _SIGNS[:, 0] * (1 + _POINTS[:, 1:] * _SIGNS[:, 1])
_N_ETA = 0.25 * _SIGNS[:, 1] * (1 + _POINTS[:, :1] * _SIGNS[:, 0])


@dataclass(frozen=True, eq=False)
class Constants:
    """Constants of the metal of each cell, (cells,)."""

    density: Floats
    bulk: Floats
    shear: Floats
    sound: Floats  # m/s, of plane waves
    specific_heat: Floats


@dataclass(eq=False)
class Body:
    """A meshed part and its state: (I + 1, J + 1) nodes, I x J cells, 4 x I J Gauss points."""

    radius: Floats  # nodes, m
    height: Floats  # nodes, m
    radial_speed: Floats  # nodes, m/s
    axial_speed: Floats  # nodes, m/s
    mass: Floats  # nodes, kg
    radial_freedom: Floats  # nodes, 1/kg; 0 where the speed is given
    axial_freedom: Floats  # nodes, 1/kg
    metals: tuple[Metal, ...]
    metal: Ints  # cells, index into metals
    constants: Constants
    first_volume: Floats  # cells, m^3
    volume: Floats  # cells, m^3
    stress: Floats  # (4: rr, zz, tt, rz; points) deviator, Pa
    pressure: Floats  # cells, Pa
    viscous: Floats  # cells, Pa
    strain: Floats  # points, equivalent plastic
    temperature: Floats  # points, K
    taylor_quinney: float
    last_increment: Floats  # points, plastic strain of the last step: the first guess for the next
    plastic_work: float = 0.0
    viscous_work: float = 0.0

    @property
    def shape(self) -> tuple[int, int]:
        """Cells along r and along z."""
        return self.radius.shape[0] - 1, self.radius.shape[1] - 1


def make_body(
    radii: Floats,
    heights: Floats,
    metals: tuple[Metal, ...],
    metal_of_row: Ints,
    *,
    temperature_k: float = 293.0,
    taylor_quinney: float = 0.9,
    is_mirrored: bool = True,
) -> Body:
    """A body at rest on a mesh of given radii and heights (m), with the metal of each row of cells along z."""
    radius, height = np.meshgrid(radii, heights, indexing="ij")
    cells = radii.size - 1, heights.size - 1
    metal = np.broadcast_to(metal_of_row, cells).ravel().astype(np.int64)
    points = (4, metal.size)
    weight = _weights(_at_corners(radius), _at_corners(height))
    constants = _constants(metals, metal)
    mass = _to_nodes(_N.T @ (weight * constants.density), cells)
    radial_freedom, axial_freedom = 1.0 / mass, 1.0 / mass
    radial_freedom[radius == 0.0] = 0.0
    if is_mirrored:
        axial_freedom[:, 0] = 0.0
    return Body(
        radius=radius,
        height=height,
        radial_speed=np.zeros_like(radius),
        axial_speed=np.zeros_like(radius),
        mass=mass,
        radial_freedom=radial_freedom,
        axial_freedom=axial_freedom,
        metals=metals,
        metal=metal,
        constants=constants,
        first_volume=weight.sum(axis=0),
        volume=weight.sum(axis=0),
        stress=np.zeros((4, *points)),
        pressure=np.zeros(metal.size),
        viscous=np.zeros(metal.size),
        strain=np.zeros(points),
        temperature=np.full(points, temperature_k),
        taylor_quinney=taylor_quinney,
        last_increment=np.full(points, 1e-6),
    )


def _constants(metals: tuple[Metal, ...], metal: Ints) -> Constants:
    density, bulk, shear, specific_heat = (
        np.array(
            [(m.density_kg_per_m3, m.bulk_modulus_pa, m.shear_modulus_pa, m.specific_heat_j_per_kg_k) for m in metals]
        )[metal]
    ).T
    return Constants(density, bulk, shear, np.sqrt((bulk + 4.0 / 3.0 * shear) / density), specific_heat)


def _at_corners(node_values: Floats) -> Floats:
    """Values at the four corners of each cell, (4, cells)."""
    return np.asarray(node_values.ravel()[_corner_indices(node_values.shape)])


@lru_cache(maxsize=16)
def _corner_indices(nodes: tuple[int, ...]) -> Ints:
    index = np.arange(np.prod(nodes)).reshape(nodes)
    return np.stack([index[corner].ravel() for corner in _CORNERS])


def _to_nodes(corner_values: Floats, cells: tuple[int, int]) -> Floats:
    """Sum at each node of what the cells round it give to their corners."""
    nodes = np.zeros((cells[0] + 1, cells[1] + 1))
    for corner, values in zip(_CORNERS, corner_values, strict=True):
        nodes[corner] += values.reshape(cells)
    return nodes


def _weights(r: Floats, z: Floats) -> Floats:
    """Volume (m^3) that each Gauss point stands for."""
    jacobian = (_N_XI @ r) * (_N_ETA @ z) - (_N_ETA @ r) * (_N_XI @ z)
    return np.asarray(2.0 * pi * (_N @ r) * jacobian)


def stable_step(body: Body) -> float:
    """Largest safe time step (s): waves along both directions of each cell at once."""
    r, z = _at_corners(body.radius), _at_corners(body.height)
    sides = np.hypot(r - np.roll(r, -1, axis=0), z - np.roll(z, -1, axis=0))
    area = 0.5 * np.abs((r[2] - r[0]) * (z[3] - z[1]) - (r[3] - r[1]) * (z[2] - z[0]))
    across, along = np.maximum(sides[0], sides[2]), np.maximum(sides[1], sides[3])
    rate = body.constants.sound * np.hypot(across, along) / area
    return float(COURANT / rate.max())


def accelerate(body: Body, radial_n: Floats, axial_n: Floats, dt: float) -> None:
    """Change the speeds by what nodal forces (N) do in `dt` s."""
    body.radial_speed += dt * radial_n * body.radial_freedom
    body.axial_speed += dt * axial_n * body.axial_freedom


def inner_force(body: Body) -> tuple[Floats, Floats]:
    """Nodal forces (N) of the stress, along r and z."""
    r, z = _at_corners(body.radius), _at_corners(body.height)
    rr, zz, tt, rz = body.stress
    mean = body.pressure + body.viscous
    r_xi, r_eta, z_xi, z_eta = _N_XI @ r, _N_ETA @ r, _N_XI @ z, _N_ETA @ z
    # -integral of sigma : grad N dV with dV = 2 pi r J and grad N = ((z_eta, -z_xi), (-r_eta, r_xi)) (N_xi, N_eta) / J.
    turn = -2.0 * pi * (_N @ r)
    rr, zz, tt = turn * (rr - mean), turn * (zz - mean), tt - mean
    rz = turn * rz
    hoop = -2.0 * pi * tt * (r_xi * z_eta - r_eta * z_xi)
    radial = _N_XI.T @ (rr * z_eta - rz * r_eta) + _N_ETA.T @ (rz * r_xi - rr * z_xi) + _N.T @ hoop
    axial = _N_XI.T @ (rz * z_eta - zz * r_eta) + _N_ETA.T @ (zz * r_xi - rz * z_xi)
    return _to_nodes(radial, body.shape), _to_nodes(axial, body.shape)


def move(body: Body, dt: float) -> None:
    """Move the nodes for `dt` s at their speeds and bring stress, strain and temperature up to date."""
    u, w = _at_corners(body.radial_speed), _at_corners(body.axial_speed)
    r, z = _at_corners(body.radius) + 0.5 * dt * u, _at_corners(body.height) + 0.5 * dt * w
    r_xi, r_eta, z_xi, z_eta = _N_XI @ r, _N_ETA @ r, _N_XI @ z, _N_ETA @ z
    jacobian = r_xi * z_eta - r_eta * z_xi
    u_xi, u_eta, w_xi, w_eta = _N_XI @ u, _N_ETA @ u, _N_XI @ w, _N_ETA @ w
    share = dt / jacobian
    rr, rz = share * (z_eta * u_xi - z_xi * u_eta), share * (r_xi * u_eta - r_eta * u_xi)
    zr, zz = share * (z_eta * w_xi - z_xi * w_eta), share * (r_xi * w_eta - r_eta * w_xi)
    tt = dt * (_N @ u) / (_N @ r)

    body.radius += dt * body.radial_speed
    body.height += dt * body.axial_speed
    weight = _weights(_at_corners(body.radius), _at_corners(body.height))
    if not weight.min() > 0.0:
        raise ArithmeticError("a cell has turned inside out")
    _rotate(body.stress, 0.5 * (rz - zr))
    third = (rr + zz + tt) / 3.0
    _stress_points(body, np.stack([rr - third, zz - third, tt - third, 0.5 * (rz + zr)]), weight, dt)
    _press_cells(body, weight.sum(axis=0), dt)


def _rotate(stress: Floats, angle: Floats) -> None:
    """Turn the in-plane stress by the spin of a step: from z towards r by `angle`."""
    rr, zz, _, rz = stress
    cosine, sine = np.cos(2.0 * angle), np.sin(2.0 * angle)
    mean, half = 0.5 * (rr + zz), 0.5 * (rr - zz)
    stress[3], half = cosine * rz - sine * half, cosine * half + sine * rz
    stress[0], stress[1] = mean + half, mean - half


def _stress_points(body: Body, deviator: Floats, weight: Floats, dt: float) -> None:
    """Elastic trial, radial return, plastic work and its heat, for strain increments (4, points)."""
    body.stress += 2.0 * body.constants.shear * deviator
    trial = _equivalent(body.stress)
    for index, metal in enumerate(body.metals):
        soft = softening(metal, body.temperature)
        hardening = metal.a_pa + metal.b_pa * body.strain**metal.n_ratio
        yields = (trial > hardening * soft) & (body.metal == index)
        if not yields.any():
            continue
        increment = plastic_increment(
            metal, trial[yields], body.strain[yields], soft[yields], dt, body.last_increment[yields]
        )
        flow = trial[yields] - 3.0 * metal.shear_modulus_pa * increment
        body.stress[:, yields] *= flow / trial[yields]
        body.strain[yields] += increment
        body.last_increment[yields] = increment
        body.plastic_work += float(np.sum(flow * increment * weight[yields]))
        heat_capacity = metal.density_kg_per_m3 * metal.specific_heat_j_per_kg_k
        body.temperature[yields] += body.taylor_quinney / heat_capacity * flow * increment


def _equivalent(deviator: Floats) -> Floats:
    """Von Mises stress (Pa)."""
    rr, zz, tt, rz = deviator
    return np.asarray(np.sqrt(1.5 * (rr * rr + zz * zz + tt * tt + 2.0 * rz * rz)))


def softening(metal: Metal, temperature: Floats) -> Floats:
    """Thermal factor of the flow stress: 1 up to the reference temperature, 0 from melting on."""
    span = metal.melting_temperature_k - metal.reference_temperature_k
    return np.asarray(1.0 - np.clip((temperature - metal.reference_temperature_k) / span, 0.0, 1.0) ** metal.m_ratio)


def plastic_increment(metal: Metal, trial: Floats, strain: Floats, soft: Floats, dt: float, guess: Floats) -> Floats:
    """Plastic strain x with trial - 3 G x = (A + B (strain + x)^n) (1 + C ln(x / dt / rate0)) soft.

    The left side falls, the right one rises: one root. Newton's steps, halving the bracket where they leave it.
    """
    stiffness = 3.0 * metal.shear_modulus_pa
    low, high = np.zeros_like(trial), trial / stiffness
    x = np.minimum(guess, 0.5 * high)
    for _ in range(100):
        total = strain + x
        power = metal.b_pa * total**metal.n_ratio
        ratio = np.maximum(x / (dt * metal.reference_rate_per_s), 1.0)
        rate = 1.0 + metal.c_ratio * np.log(ratio)
        excess = trial - stiffness * x - (metal.a_pa + power) * rate * soft
        if np.all(np.abs(excess) <= 1e-9 * trial):
            break
        rate_slope = np.where(ratio > 1.0, metal.c_ratio / x, 0.0)
        slope = stiffness + soft * (metal.n_ratio * power / total * rate + (metal.a_pa + power) * rate_slope)
        low, high = np.where(excess > 0.0, x, low), np.where(excess > 0.0, high, x)
        x = x + excess / slope
        x = np.where((x > low) & (x < high), x, 0.5 * (low + high))
    return x


def _press_cells(body: Body, volume: Floats, dt: float) -> None:
    """Pressure and bulk viscosity of cells that have now this volume, and the heat of the viscosity."""
    growth = np.log(volume / body.volume) / dt
    constants, length = body.constants, np.sqrt(_areas(body))
    density = constants.density * body.first_volume / volume
    quadratic = QUADRATIC_VISCOSITY**2 * length * np.minimum(growth, 0.0) ** 2
    body.pressure = -constants.bulk * np.log(volume / body.first_volume)
    body.viscous = density * length * (quadratic - LINEAR_VISCOSITY * constants.sound * growth)
    loss = -body.viscous * growth * dt
    body.viscous_work += float(np.sum(loss * volume))
    body.temperature += loss / (density * constants.specific_heat)
    body.volume = volume


def _areas(body: Body) -> Floats:
    r, z = _at_corners(body.radius), _at_corners(body.height)
    return np.asarray(0.5 * np.abs((r[2] - r[0]) * (z[3] - z[1]) - (r[3] - r[1]) * (z[2] - z[0])))


def kinetic_energy(body: Body) -> float:
    """Kinetic energy (J)."""
    return 0.5 * float(np.sum(body.mass * (body.radial_speed**2 + body.axial_speed**2)))


def elastic_energy(body: Body) -> float:
    """Elastic energy (J): shear, and K V0 (J ln J - J + 1), which is the work of the pressure."""
    weight = _weights(_at_corners(body.radius), _at_corners(body.height))
    shear = _equivalent(body.stress) ** 2 / (6.0 * body.constants.shear) * weight
    swelling = body.volume / body.first_volume
    bulk = body.constants.bulk * body.first_volume * (swelling * np.log(swelling) - swelling + 1.0)
    return float(shear.sum() + bulk.sum())
