"""`solve`: what the two-dimensional solid of `solid.py` makes of a load case of `cases.py`.

Figures are the whole part's: the meshed upper half and its mirror image. After `end_s` the loads are
over and the part at rest but for elastic ringing, which is then damped out; final sizes are those at rest.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from math import exp, pi, sqrt

import numpy as np

from tests.physics.mechanics.cases import AxialBand, Case, Load, RimPressure
from tests.physics.mechanics.solid import (
    Body,
    Floats,
    accelerate,
    elastic_energy,
    inner_force,
    kinetic_energy,
    make_body,
    move,
    stable_step,
)

#: The step is found anew after so many steps; shapes change by parts per thousand in between.
STEPS_BETWEEN = 5
RECORDS_COUNT = 300

Forces = tuple[Floats, Floats]


@dataclass(frozen=True, eq=False)
class History:
    """Sizes and energies over time (T,); energies of the whole part."""

    time_s: Floats
    rim_mean_m: Floats
    rim_middle_m: Floats
    rim_face_m: Floats
    bore_mean_m: Floats
    external_work_j: Floats
    kinetic_j: Floats
    elastic_j: Floats
    plastic_j: Floats
    viscous_j: Floats
    damped_j: Floats

    @property
    def energy_residual_ratio(self) -> float:
        """Largest gap in the balance, as part of the largest work done from outside."""
        known = self.kinetic_j + self.elastic_j + self.plastic_j + self.viscous_j + self.damped_j
        work = self.external_work_j + known[0]
        return float(np.max(np.abs(known - work)) / np.max(np.abs(work)))


@dataclass(frozen=True, eq=False)
class Outcome:
    """History and final shape: the lines of nodes on rim, bore and upper face."""

    history: History
    rim_height_m: Floats
    rim_radius_m: Floats
    bore_height_m: Floats
    bore_radius_m: Floats
    face_radius_m: Floats
    face_thickness_m: Floats
    largest_strain_ratio: float
    mean_strain_ratio: float
    largest_temperature_k: float
    steps_count: int


def solve(case: Case, fineness: float = 1.0) -> Outcome:
    """Run a case on its mesh, with `fineness` times as many cells along each direction."""
    body = mesh(case, fineness)
    run = Run(body, [push_of(load, case, body) for load in case.loads])
    stride_s = case.end_s / RECORDS_COUNT
    for k in range(RECORDS_COUNT):
        run.until((k + 1) * stride_s)
    # Nearly critical for the breathing of a part that wide, and long enough for e^-20 of it.
    sound = sqrt(max(m.youngs_modulus_pa / m.density_kg_per_m3 for m in body.metals))
    settling_s = 10.0 * case.outer_diameter_m / sound
    for k in range(40):
        run.until(case.end_s + (k + 1) / 40 * settling_s, damping_per_s=4.0 * sound / case.outer_diameter_m)
    return run.outcome()


def figures(case: Case, outcome: Outcome) -> dict[str, float]:
    """The scalars of an outcome that are compared and stored."""
    past = outcome.history
    first, peak = 0.5 * case.outer_diameter_m, int(np.argmin(past.rim_mean_m))
    thickness = outcome.face_thickness_m
    return {
        "rim_m": float(past.rim_mean_m[-1]),
        "rim_middle_m": float(past.rim_middle_m[-1]),
        "rim_face_m": float(past.rim_face_m[-1]),
        "rim_displacement_m": float(past.rim_mean_m[-1]) - first,
        "rim_peak_displacement_m": float(past.rim_mean_m[peak]) - first,
        "rim_peak_time_s": float(past.time_s[peak]),
        "bore_m": float(past.bore_mean_m[-1]),
        "middle_thickness_m": float(thickness[0]),
        "half_radius_thickness_m": float(thickness[len(thickness) // 2]),
        "rim_thickness_m": float(thickness[-1]),
        "external_work_j": float(past.external_work_j[-1]),
        "plastic_work_j": float(past.plastic_j[-1]),
        "viscous_work_j": float(past.viscous_j[-1]),
        "damped_j": float(past.damped_j[-1]),
        "late_plastic_work_j": float(past.plastic_j[-1] - np.interp(case.end_s, past.time_s, past.plastic_j)),
        "largest_strain_ratio": outcome.largest_strain_ratio,
        "mean_strain_ratio": outcome.mean_strain_ratio,
        "largest_temperature_k": outcome.largest_temperature_k,
        "energy_residual_ratio": past.energy_residual_ratio,
        "steps_count": float(outcome.steps_count),
    }


def mesh(case: Case, fineness: float = 1.0) -> Body:
    """The upper half of the part, in cells as even as the layers allow."""
    radial_count = round(case.radial_cells_count * fineness)
    counts = [max(1, round(case.half_axial_cells_count * fineness * layer.fraction_ratio)) for layer in case.layers]
    ends = 0.5 * case.thickness_m * np.cumsum([0.0] + [layer.fraction_ratio for layer in case.layers])
    heights = _levels(ends, counts)
    metals = tuple(dict.fromkeys(layer.metal for layer in case.layers))
    rows = np.repeat([metals.index(layer.metal) for layer in case.layers], counts)
    radii = np.linspace(0.5 * case.inner_diameter_m, 0.5 * case.outer_diameter_m, radial_count + 1)
    return make_body(
        radii, heights, metals, rows, temperature_k=case.temperature_k, taylor_quinney=case.taylor_quinney_ratio
    )


def _levels(ends: Floats, counts: list[int]) -> Floats:
    parts = [np.linspace(low, high, count + 1)[1:] for (low, high), count in zip(pairwise(ends), counts, strict=True)]
    return np.concatenate([[0.0], *parts])


def push_of(load: Load, case: Case, body: Body) -> Callable[[float], Forces]:
    """Nodal forces (N) of a load at a time (s), on the body as it then is."""
    if isinstance(load, RimPressure):
        return _rim_push(load, body)
    radius_m, half_m = 0.5 * case.outer_diameter_m, 0.5 * case.thickness_m
    along_r = _hat_integrals(body.radius[:, 0], radius_m - load.depth_m, 1)
    along_z = _hat_integrals(body.height[0], 0.0, load.power if isinstance(load, AxialBand) else 0)
    share = np.outer(along_r / along_r.sum(), along_z / along_z.sum())
    nothing = np.zeros_like(share)
    if isinstance(load, AxialBand):
        face_m2 = pi * (radius_m**2 - (radius_m - load.depth_m) ** 2)
        return lambda time_s: (nothing, -load.pulse.at(time_s) * face_m2 * share)

    def push(time_s: float) -> Forces:
        area_m2 = _rim_area(body) if load.is_on_present_area else 2.0 * pi * radius_m * half_m
        return -load.pulse.at(time_s) * area_m2 * share, nothing

    return push


def _rim_push(load: RimPressure, body: Body) -> Callable[[float], Forces]:
    first = body.height[-1].copy()
    loaded = np.clip((load.half_length_m - first[:-1]) / np.diff(first), 0.0, 1.0)

    def push(time_s: float) -> Forces:
        radial, axial = np.zeros_like(body.radius), np.zeros_like(body.radius)
        r, pressure = body.radius[-1], load.pulse.at(time_s) * loaded
        # Integral of 2 pi r over the edge, by the linear shape functions of its lower and upper end.
        for end, arm in ((slice(None, -1), 2 * r[:-1] + r[1:]), (slice(1, None), r[:-1] + 2 * r[1:])):
            radial[-1, end] -= pressure * pi / 3.0 * arm * np.diff(body.height[-1])
            if load.is_following:
                axial[-1, end] += pressure * pi / 3.0 * arm * np.diff(r)
        return radial, axial

    return push


def _rim_area(body: Body) -> float:
    """Present area (m^2) of the half's rim, seen along the radius."""
    r = body.radius[-1]
    return float(pi * np.sum((r[1:] + r[:-1]) * np.diff(body.height[-1])))


def _hat_integrals(nodes: Floats, start: float, power: int) -> Floats:
    """Integral of x^power (power 0 or 1) times each node's hat function from `start` on."""
    result = np.zeros_like(nodes)
    points, weights = np.polynomial.legendre.leggauss(3)
    for k, (low, high) in enumerate(pairwise(nodes)):
        begin = min(max(low, start), high)
        x = begin + 0.5 * (high - begin) * (points + 1.0)
        mass = 0.5 * (high - begin) * weights * x**power
        result[k] += np.sum(mass * (high - x)) / (high - low)
        result[k + 1] += np.sum(mass * (x - low)) / (high - low)
    return result


class Run:
    """A body moving under loads, with its energies and history."""

    def __init__(self, body: Body, pushes: list[Callable[[float], Forces]]) -> None:
        self.body = body
        self.pushes = pushes
        self.time_s = 0.0
        self.steps_count = 0
        self.work_j = 0.0
        self.damped_j = 0.0
        self.rows: list[list[float]] = []
        self._outer = self._outer_force()
        self._inner = inner_force(body)
        self.record()

    def until(self, end_s: float, damping_per_s: float = 0.0) -> None:
        """Step to a time (s) and record."""
        while self.time_s < end_s * (1.0 - 1e-12):
            safe = stable_step(self.body)
            count = max(1, min(STEPS_BETWEEN, int(np.ceil((end_s - self.time_s) / safe))))
            dt = min(safe, (end_s - self.time_s) / count)
            for _ in range(count):
                self.step(dt, damping_per_s)
        self.record()

    def step(self, dt: float, damping_per_s: float = 0.0) -> None:
        """One step of velocity-Verlet."""
        body = self.body
        self._kick(0.5 * dt)
        self.work_j += 0.5 * dt * self._power()
        move(body, dt)
        self.time_s += dt
        self._outer, self._inner = self._outer_force(), inner_force(body)
        self.work_j += 0.5 * dt * self._power()
        self._kick(0.5 * dt)
        self.steps_count += 1
        if damping_per_s:
            before = kinetic_energy(body)
            body.radial_speed *= exp(-damping_per_s * dt)
            body.axial_speed *= exp(-damping_per_s * dt)
            self.damped_j += before - kinetic_energy(body)

    def _kick(self, dt: float) -> None:
        (outer_r, outer_z), (inner_r, inner_z) = self._outer, self._inner
        accelerate(self.body, outer_r + inner_r, outer_z + inner_z, dt)

    def _power(self) -> float:
        return float(np.sum(self._outer[0] * self.body.radial_speed) + np.sum(self._outer[1] * self.body.axial_speed))

    def _outer_force(self) -> Forces:
        radial, axial = np.zeros_like(self.body.radius), np.zeros_like(self.body.radius)
        for push in self.pushes:
            more_radial, more_axial = push(self.time_s)
            radial, axial = radial + more_radial, axial + more_axial
        return radial, axial

    def record(self) -> None:
        """Add a row to the history."""
        body = self.body
        rim, bore = body.radius[-1], body.radius[0]
        energies = self.work_j, kinetic_energy(body), elastic_energy(body), body.plastic_work, body.viscous_work
        sizes = mean_over_height(body, -1), float(rim[0]), float(rim[-1]), mean_over_height(body, 0) if bore[0] else 0.0
        self.rows.append([self.time_s, *sizes, *(2.0 * energy for energy in (*energies, self.damped_j))])

    def outcome(self) -> Outcome:
        """History and present shape."""
        body = self.body
        return Outcome(
            History(*np.array(self.rows).T),
            rim_height_m=body.height[-1].copy(),
            rim_radius_m=body.radius[-1].copy(),
            bore_height_m=body.height[0].copy(),
            bore_radius_m=body.radius[0].copy(),
            face_radius_m=body.radius[:, -1].copy(),
            face_thickness_m=2.0 * body.height[:, -1],
            largest_strain_ratio=float(body.strain.max()),
            mean_strain_ratio=float(np.sum(body.strain.mean(axis=0) * body.volume) / body.volume.sum()),
            largest_temperature_k=float(body.temperature.max()),
            steps_count=self.steps_count,
        )


def mean_over_height(body: Body, column: int) -> float:
    """Radius (m) of a line of nodes along z, mean over its present height."""
    r, rises = body.radius[column], np.diff(body.height[column])
    return float(np.sum(0.5 * (r[1:] + r[:-1]) * rises) / rises.sum())
