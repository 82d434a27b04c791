"""The two-dimensional oracle itself: closed forms, balances, convergence, and that its stored results are its own."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from math import exp, log, pi, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import jv

from tests.physics.mechanics.cases import CASES, COPPER, VARIANTS, Case, Metal, Pulse, RimPressure
from tests.physics.mechanics.oracle import Run, figures, mean_over_height, push_of, solve
from tests.physics.mechanics.solid import Body, Floats, inner_force, make_body, stable_step

DENSITY, YOUNG_PA, POISSON, UNBREAKABLE_PA = 8960.0, 124e9, 0.34, 1e15
CASE = {case.name: case for case in (*CASES, *VARIANTS)}
STORED: dict[str, dict[str, Any]] = {
    entry["case"]["name"]: entry
    for group in ("cases", "variants")
    for entry in json.loads((Path(__file__).parent / "oracle_cases.json").read_text(encoding="utf-8"))[group]
}


@dataclass(frozen=True)
class Hold(Pulse):
    """A pressure that rises as sin^2 and stays."""

    def at(self, time_s: float) -> float:
        return super().at(min(time_s, 0.5 * self.duration_s))


def ideal_metal(yield_pa: float, young_pa: float = YOUNG_PA, density: float = DENSITY) -> Metal:
    """A metal without hardening, rate effect or softening."""
    return Metal(density, young_pa, POISSON, 385.0, yield_pa, 0.0, 1.0, 0.0, 1.0, 1e9)


def ring(bore_m: float, rim_m: float, half_height_m: float, cells: tuple[int, int], metal: Metal) -> Body:
    radii, heights = np.linspace(bore_m, rim_m, cells[0] + 1), np.linspace(0.0, half_height_m, cells[1] + 1)
    return make_body(radii, heights, (metal,), np.zeros(cells[1], dtype=np.int64), taylor_quinney=0.0)


def press(body: Body, load: RimPressure, time_s: float, damping_per_s: float) -> Run:
    """Raise a load and wait, damped, until nothing moves."""
    sized = Case("", 2.0 * body.radius[-1, 0], 0.0, 2.0 * body.height[0, -1], (), (load,), time_s, 1, 1)
    run = Run(body, [push_of(load, sized, body)])
    run.until(time_s, damping_per_s)
    return run


def upward_zeros(time_s: Floats, value: Floats) -> Floats:
    """Times (s) at which a value passes zero upwards."""
    k = np.flatnonzero((value[:-1] < 0.0) & (value[1:] >= 0.0))
    return np.asarray(time_s[k] - value[k] * (time_s[k + 1] - time_s[k]) / (value[k + 1] - value[k]))


def watch(body: Body, time_s: float, look: Callable[[Body], float], records: int = 200) -> tuple[Floats, Floats]:
    """Times (s) and what is seen while a body moves freely."""
    run, seen = Run(body, []), []
    for k in range(records):
        run.until((k + 1) / records * time_s)
        seen.append((run.time_s, look(body)))
    time, value = np.array(seen).T
    return time, value


# Elastic, at rest.


@dataclass(frozen=True)
class LameErrors:
    """Relative errors of the bore's displacement and of the hoop stress in the innermost cell."""

    displacement: float
    hoop_stress: float


def lame_errors(cells: int, *, plane_strain: bool) -> LameErrors:
    """Errors of a ring b/a = 2 under outside pressure, small enough to keep its size."""
    bore, rim, pressure = 0.01, 0.02, 1e5
    body = ring(bore, rim, 0.002, (cells, 1), ideal_metal(UNBREAKABLE_PA))
    if plane_strain:
        body.axial_freedom[:] = 0.0
    press(body, RimPressure(Hold(pressure, 60e-6)), 160e-6, 4e5)
    # Lame (Timoshenko & Goodier): s_t = A + C/r^2; u = r s_t/E at the bore, with E/(1 - nu^2) in plane strain.
    even, curved = -pressure * rim**2 / (rim**2 - bore**2), -pressure * bore**2 * rim**2 / (rim**2 - bore**2)
    young = YOUNG_PA / (1.0 - POISSON**2) if plane_strain else YOUNG_PA
    moved = bore / young * (even + curved / bore**2)
    middle = 0.5 * (mean_over_height(body, 0) + mean_over_height(body, 1))
    hoop = float(body.stress[2, :, 0].mean() - body.pressure[0])
    return LameErrors((mean_over_height(body, 0) - bore) / moved - 1.0, hoop / (even + curved / middle**2) - 1.0)


@pytest.mark.parametrize("plane_strain", [False, True])
def test_thick_ring_nears_lame_with_second_order(*, plane_strain: bool) -> None:
    """A thick elastic ring under pressure is Lame's, and half as large cells make a quarter of the error."""
    coarse, fine = lame_errors(4, plane_strain=plane_strain), lame_errors(8, plane_strain=plane_strain)
    assert abs(fine.displacement) < 1e-3
    assert abs(fine.hoop_stress) < 4e-3
    assert coarse.displacement / fine.displacement == pytest.approx(4.0, rel=0.1)


def test_tube_bends_as_a_shell() -> None:
    """A thin elastic tube pressed on a band of its length dents as the theory of shells says."""
    # Timoshenko & Woinowsky-Krieger, Theory of Plates and Shells: a band 2c on a long shell,
    # w = p R^2/(E t) (1 - exp(-beta c) cos(beta c)) in its middle, beta^4 = 3 (1 - nu^2) / (R t)^2.
    radius, wall, half_band, pressure = 0.015, 0.5e-3, 1.5e-3, 1e5
    body = ring(radius - 0.5 * wall, radius + 0.5 * wall, 0.009, (2, 24), ideal_metal(UNBREAKABLE_PA))
    press(body, RimPressure(Hold(pressure, 60e-6), half_length_m=half_band), 100e-6, 5e5)
    arm = (3.0 * (1.0 - POISSON**2)) ** 0.25 / sqrt(radius * wall) * half_band
    dent = pressure * (radius + 0.5 * wall) * radius / (YOUNG_PA * wall) * (1.0 - exp(-arm) * np.cos(arm))
    moved = radius - 0.5 * (body.radius[0, 0] + body.radius[-1, 0])
    assert moved == pytest.approx(dent, rel=0.02)


# Elastic, moving.


def test_ring_breathes_at_the_speed_of_a_bar() -> None:
    """A thin elastic ring breathes once in the time 2 pi R / sqrt(E/rho)."""
    body = ring(0.0195, 0.0205, 0.5e-3, (1, 1), ideal_metal(UNBREAKABLE_PA))
    body.radial_speed[:] = -1.0
    period = 2.0 * pi * 0.02 / sqrt(YOUNG_PA / DENSITY)
    time, moved = watch(body, 2.2 * period, lambda b: mean_over_height(b, -1) - 0.0205)
    assert np.diff(upward_zeros(time, moved)) == pytest.approx(period, rel=1e-3)


def test_disc_breathes_in_its_radial_mode() -> None:
    """A thin elastic disc vibrates radially at the root of its Bessel equation."""
    # Plane stress: x J0(x) = (1 - nu) J1(x), omega = x/R sqrt(E / rho (1 - nu^2)) (Love, Theory of Elasticity).
    root = brentq(lambda x: x * jv(0, x) - (1.0 - POISSON) * jv(1, x), 1.5, 2.4)
    period = 2.0 * pi * 0.02 / (root * sqrt(YOUNG_PA / (DENSITY * (1.0 - POISSON**2))))
    body = ring(0.0, 0.02, 0.5e-3, (16, 1), ideal_metal(UNBREAKABLE_PA))
    body.radial_speed[:] = -jv(1, root * body.radius / 0.02)
    time, moved = watch(body, 1.2 * period, lambda b: mean_over_height(b, -1) - 0.02)
    # Inward first: outward through its size after half a period.
    assert upward_zeros(time, moved)[0] == pytest.approx(0.5 * period, rel=3e-3)


def test_wave_along_the_axis_has_the_speed_of_a_plane_wave() -> None:
    """A block held at its sides swings along its axis at a quarter wave of the speed sqrt((K + 4/3 G)/rho)."""
    metal, length = ideal_metal(UNBREAKABLE_PA), 0.01
    body = ring(0.005, 0.01, length, (2, 20), metal)
    body.radial_freedom[:] = 0.0
    body.axial_speed[:] = -np.sin(0.5 * pi * body.height / length)
    period = 4.0 * length / sqrt((metal.bulk_modulus_pa + 4.0 / 3.0 * metal.shear_modulus_pa) / DENSITY)
    time, moved = watch(body, 2.2 * period, lambda b: float(b.height[0, -1]) - length)
    assert np.diff(upward_zeros(time, moved)) == pytest.approx(period, rel=2e-3)


def test_stress_turns_with_the_material() -> None:
    """In simple shear the Jaumann rate makes shear stress go as G sin(gamma) and axial stress as G (1 - cos(gamma))."""
    # Dienes, Acta Mech. 32 (1979) 217: the well-known answer of this rate.
    metal, rate = ideal_metal(UNBREAKABLE_PA), 1e5
    body = ring(0.02, 0.021, 0.001, (2, 2), metal)
    body.radial_freedom[:] = body.axial_freedom[:] = 0.0
    body.axial_speed[:] = rate * (body.radius - 0.02)
    run = Run(body, [])
    for _ in range(1000):
        run.step(1.0 / rate / 1000)
    expected = metal.shear_modulus_pa * np.array([np.cos(1.0) - 1.0, 1.0 - np.cos(1.0), 0.0, np.sin(1.0)])
    assert body.stress.mean(axis=(1, 2)) == pytest.approx(expected, rel=1e-3, abs=1e-6 * metal.shear_modulus_pa)


# Plastic.


def test_thick_ring_yields_at_hills_pressure() -> None:
    """A thick ideally plastic ring held in length and driven inward resists with 2/sqrt(3) Y ln(b/a)."""
    # Hill, Mathematical Theory of Plasticity (1950); b/a = 2, Y = 250 MPa: 200.095 MPa at the first size.
    yield_pa, bore, rim = 250e6, 0.01, 0.02
    assert 2.0 / sqrt(3.0) * yield_pa * log(rim / bore) == pytest.approx(200.095e6, rel=1e-5)
    body, time, resistances = ring(bore, rim, 0.002, (12, 1), ideal_metal(yield_pa, 10.0 * YOUNG_PA)), 50e-6, []
    body.axial_freedom[:], body.radial_freedom[-1] = 0.0, 0.0
    run = Run(body, [])
    while run.time_s < time:
        body.radial_speed[-1] = -3.0 * np.sin(0.5 * pi * min(1.0, run.time_s / (0.6 * time))) ** 2
        run.step(3e-8)
        if run.time_s > 0.7 * time:
            limit = 2.0 / sqrt(3.0) * yield_pa * log(body.radius[-1, 0] / body.radius[0, 0])
            resistances.append(inner_force(body)[0][-1].sum() / (2.0 * pi * body.radius[-1, 0] * 0.002) / limit)
    assert np.mean(resistances) == pytest.approx(1.0, abs=5e-3)


def test_thrown_ring_stops_where_its_energy_is_spent() -> None:
    """A thin plastic ring thrown inward at 200 m/s stops at 12.75 of 20 mm, as 1/2 rho v^2 = Y ln(r0/r) says."""
    body = ring(0.0195, 0.0205, 0.5e-3, (1, 1), ideal_metal(120e6, 2 * 68.9e9, 2700.0))
    body.radial_speed[:] = -200.0
    _, middle = watch(body, 95e-6, lambda b: 0.5 * (mean_over_height(b, 0) + mean_over_height(b, -1)))
    assert middle.min() == pytest.approx(0.020 * exp(-2700.0 * 200.0**2 / (2.0 * 120e6)), rel=2e-3)
    assert middle.min() == pytest.approx(12.75e-3, rel=3e-3)


def squeeze(metal: Metal, temperature_k: float, taylor_quinney: float) -> Body:
    """A disc squeezed evenly at 1e4/s, at constant volume, to a strain of 0.3."""
    body = ring(0.0, 0.01, 0.001, (2, 1), metal)
    body.radial_freedom[:] = body.axial_freedom[:] = 0.0
    body.temperature[:], body.taylor_quinney = temperature_k, taylor_quinney
    run, rate, steps = Run(body, []), 1e4, 1000
    for _ in range(steps):
        grown = exp(0.3 / steps)
        dt = 0.3 / rate / steps
        body.radial_speed[:] = body.radius * (1.0 / sqrt(grown) - 1.0) / dt
        body.axial_speed[:] = body.height * (grown - 1.0) / dt
        run.step(dt)
    return body


def johnson_cook(metal: Metal, strain: float, temperature_k: float) -> float:
    """Flow stress (Pa) at 1e4/s."""
    hot = (temperature_k - 293.0) / (metal.melting_temperature_k - 293.0)
    hard = metal.a_pa + metal.b_pa * strain**metal.n_ratio
    return float(hard * (1.0 + metal.c_ratio * log(1e4)) * (1.0 - hot**metal.m_ratio))


@pytest.mark.parametrize("temperature_k", [293.0, 600.0])
def test_flow_stress_is_johnson_and_cooks(temperature_k: float) -> None:
    """A disc squeezed evenly without heating has Johnson and Cook's flow stress at its strain and temperature."""
    body = squeeze(COPPER, temperature_k, taylor_quinney=0.0)
    stress = np.sqrt(1.5 * (body.stress[:3] ** 2).sum(axis=0) + 3.0 * body.stress[3] ** 2)
    expected = johnson_cook(COPPER, float(body.strain.mean()), temperature_k)
    assert body.strain == pytest.approx(np.full((4, 2), 0.3 - expected / (3.0 * COPPER.shear_modulus_pa)), rel=1e-3)
    assert stress == pytest.approx(np.full((4, 2), expected), rel=1e-4)


def test_plastic_work_heats() -> None:
    """Nine tenths of the plastic work become heat, which softens what goes on."""
    body, temperature, steps = squeeze(COPPER, 293.0, taylor_quinney=0.9), 293.0, 20000
    reached = float(body.strain.mean())
    for k in range(steps):
        work = johnson_cook(COPPER, reached * (k + 0.5) / steps, temperature) * reached / steps
        temperature += 0.9 * work / (COPPER.density_kg_per_m3 * COPPER.specific_heat_j_per_kg_k)
    assert body.temperature - 293.0 == pytest.approx(np.full((4, 2), temperature - 293.0), rel=2e-3)


# Laws.


def test_free_body_keeps_momentum_and_energy() -> None:
    """A body that nothing pushes keeps its momentum along the axis to rounding, and its energy."""
    radii, heights = np.linspace(0.0, 0.01, 9), np.linspace(0.0, 0.004, 5)
    body = make_body(radii, heights, (COPPER,), np.zeros(4, dtype=np.int64), is_mirrored=False)
    body.radial_speed[:] = -100.0 * np.sin(200.0 * body.radius) * (1.0 + body.height / 0.004)
    body.axial_speed[:] = 120.0 * np.cos(300.0 * body.radius) + 30.0 * body.height / 0.004
    before, run = float(np.sum(body.mass * body.axial_speed)), Run(body, [])
    for _ in range(10):
        for _ in range(80):
            run.step(0.25 * stable_step(body))
        run.record()
    assert body.plastic_work > 1.0
    assert float(np.sum(body.mass * body.axial_speed)) == pytest.approx(before, rel=1e-12)
    assert run.outcome().history.energy_residual_ratio < 3e-3


def test_work_of_the_loads_is_found_again() -> None:
    """What loads do on a clad disc pressed and squeezed, from beginning to end, is found again as its energy."""
    case = replace(
        CASE["clad disc, 0.6 GPa"],
        loads=CASE["disc, 0.6 GPa, 0.3 GPa axial squeeze"].loads,
        radial_cells_count=12,
        half_axial_cells_count=3,
        end_s=60e-6,
    )
    history = solve(case).history
    assert history.external_work_j[-1] > 50.0
    assert history.energy_residual_ratio < 3e-3


# The stored results.


@pytest.mark.parametrize("name", CASE)
def test_stored_results_belong_to_the_cases(name: str) -> None:
    """Each case's stored data are the case's, its energy balance closes and its motion had ended when it was read."""
    entry = STORED[name]
    assert entry["case"] == json.loads(json.dumps(asdict(CASE[name])))
    assert entry["figures"]["energy_residual_ratio"] < 2e-3
    assert entry["figures"]["late_plastic_work_j"] <= 1e-3 * entry["figures"]["plastic_work_j"]


def test_stored_results_are_found_again() -> None:
    """The oracle finds again what is stored for the ring on its coarser mesh."""
    case, stored = CASE["aluminium ring"], STORED["aluminium ring"]["coarser"]
    again = figures(case, solve(case, 0.5))
    assert {name: again[name] for name in stored} == pytest.approx(stored, rel=1e-5, abs=1e-9)


@pytest.mark.parametrize("name", ["disc, 0.6 GPa", "tube, pressed in the middle"])
def test_stored_results_converge_with_the_mesh(name: str) -> None:
    """Finer cells change the rim's displacement by less than 1 %, and by less than the change before."""
    meshes = [STORED[name][fineness] for fineness in ("coarser", "figures", "finer")]
    for figure in ("rim_displacement_m", "rim_peak_displacement_m"):
        coarse, normal, fine = (found[figure] for found in meshes)
        assert abs(fine / normal - 1.0) < 0.01
        assert abs(fine - normal) < abs(normal - coarse)
