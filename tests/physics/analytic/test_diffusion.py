"""Eddy currents in a disc and in a long cylinder against the diffusion equation's solutions."""

from __future__ import annotations

from math import exp

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import eigh
from scipy.optimize import brentq, curve_fit
from scipy.special import jv, kv

from physics.circuit import Loop, Unknowns, make_step_work, step
from physics.constants import MU_0
from tests.physics.sections import LonePart, lone_part

Floats = NDArray[np.float64]

RADIUS_M = 12e-3
LENGTH_M = 20 * RADIUS_M
# Copper, intrinsic, 293 K (Matula 1979); the results scale with it.
RESISTIVITY_OHM_M = 1.678e-8
DIFFUSIVITY_M2_PER_S = RESISTIVITY_OHM_M / MU_0


@pytest.fixture(scope="module")
def cylinder() -> LonePart:
    return lone_part(RADIUS_M, LENGTH_M, columns=12, half_rows=24)


def slowest_decay(part: LonePart) -> tuple[float, Floats]:
    """Time constant (s) of the slowest free decay and its currents."""
    times, modes = eigh(part.inductance, np.diag(RESISTIVITY_OHM_M * part.resistance))
    return float(times[-1]), modes[:, -1]


def decay_of(part: LonePart, flux: Floats, step_s: float, steps: int) -> Floats:
    """Currents after a free decay from these flux linkages, by the project's own step with the coil's loop open."""
    cells = part.resistance.size
    none = np.zeros(0, dtype=np.int64)
    unknowns = Unknowns(none, none, np.zeros(0), np.zeros(1, dtype=np.int64), 1, cells, np.r_[1.0, np.full(cells, 2.0)])
    inductance = np.eye(cells + 2)
    inductance[1:-1, 1:-1] = part.inductance
    resistance = np.r_[0.0, 0.5 * RESISTIVITY_OHM_M * part.resistance]
    state, work = np.r_[0.0, flux, 0.0], make_step_work(unknowns)
    open_loop = Loop(0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1.0, both=False, closed=False)
    for _ in range(steps):
        ok, _ = step(
            unknowns, open_loop, resistance, inductance, inductance,
            moved=False, factored=False, drop=0.0, crowbar_drop=0.0, h=step_s, flux=state, voltage=0.0, work=work,
        )  # fmt: skip
        assert ok
    return np.array(work.second[1:-1])


def test_thin_disc_decays_as_published() -> None:
    """The slowest decay of a thin disc is 0.1815 mu0 sigma h a, approached as the disc gets thinner."""
    # c = 0.1815 (1/5.51) for h << a, computed with 800 rings: 0.18144; tolerance 2e-3.
    factors = []
    for thinness in (0.01, 0.005):
        tau, _ = slowest_decay(lone_part(RADIUS_M, thinness * RADIUS_M, columns=24, half_rows=1))
        factors.append(tau * DIFFUSIVITY_M2_PER_S / (thinness * RADIUS_M**2))
    assert factors == pytest.approx([0.1815] * 2, rel=1e-2)
    # What a finite thickness takes away is proportional to it.
    assert 2.0 * factors[1] - factors[0] == pytest.approx(0.1815, rel=2e-3)


def test_long_cylinder_decays_as_bessel_says(cylinder: LonePart) -> None:
    """The slowest decay of a long cylinder is a^2 / (5.783 D), corrected for the mode's own length."""
    tau, mode = slowest_decay(cylinder)
    # a^2/(5.78319 D), first zero of J0 squared; copper of 12 mm: 1.8647 ms. Ends shorten it by some per cent.
    assert tau == pytest.approx(1.8647e-3, rel=0.025)
    # The mode goes as cos(k z) away from the ends; fields J1(p r) inside and K1(k r) outside match at the rim:
    # p J0(pa)/J1(pa) = -k K0(ka)/K1(ka), and 1/(D tau) = p^2 + k^2.
    part, height = cylinder.section.part, cylinder.mean_height()
    inside = (part.cell_column == 6) & (height < 0.3 * LENGTH_M)
    density = mode / cylinder.cell_area()
    (_, k), _ = curve_fit(
        lambda z, top, k: top * np.cos(k * z),
        height[inside],
        density[inside] / density[inside][0],
        p0=(1.0, np.pi / LENGTH_M),
    )
    ka = k * RADIUS_M
    pa = brentq(lambda x: x * jv(0, x) / jv(1, x) + ka * kv(0, ka) / kv(1, ka), 2.405, 3.8)
    assert RADIUS_M**2 / (DIFFUSIVITY_M2_PER_S * tau) == pytest.approx(pa**2 + ka**2, rel=4e-3)


def test_decay_in_time_follows_the_mode(cylinder: LonePart) -> None:
    """Stepping a mode through one time constant leaves 1/e of it, and half the step a quarter of the error."""
    tau, mode = slowest_decay(cylinder)
    errors = []
    for steps in (5, 10):
        left = decay_of(cylinder, cylinder.inductance @ mode, tau / steps, steps)
        share = left @ cylinder.inductance @ mode / (mode @ cylinder.inductance @ mode)
        errors.append(abs(float(share) / exp(-1.0) - 1.0))
    assert errors[1] < 1e-3
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.15)


@pytest.mark.parametrize(
    ("fourier_number", "share"),
    # B(axis)/B0 after a step of the axial field, D t / a^2; Fourier-Bessel series (Carslaw & Jaeger), evaluated.
    [(0.05, 0.0129008), (0.1, 0.151645), (0.2, 0.498513), (0.5, 0.911110)],
)
def test_field_steps_into_a_cylinder(cylinder: LonePart, fourier_number: float, share: float) -> None:
    """A field switched on outside a long cylinder reaches its axis as the diffusion equation says."""
    time = fourier_number * RADIUS_M**2 / DIFFUSIVITY_M2_PER_S
    # At first the part's own flux cancels the field's in every cell.
    currents = decay_of(cylinder, -cylinder.uniform_flux(), time / 25, 25)
    on_axis = 1.0 + cylinder.axial_field(currents, 1e-3 * RADIUS_M)
    outside = 1.0 + cylinder.axial_field(currents, 1.2 * RADIUS_M)
    # Ends at ten radii press 0.3 % more field past the middle; twelve columns leave the rest.
    assert outside == pytest.approx(1.0, abs=5e-3)
    assert on_axis == pytest.approx(share, abs=5e-3)


@pytest.mark.parametrize(
    ("radius_over_skin_depth", "share", "tolerance"),
    # |B(axis)/B(surface)| = 1/|J0((1 - i) a/delta)|; evaluated. The tolerance is the mesh's: columns over skin depth.
    [(0.5, 0.996115, 2e-4), (1.0, 0.942536, 1e-3), (2.0, 0.561732, 6e-3), (3.0, 0.252183, 2e-2)],
)
def test_alternating_field_in_a_cylinder(
    cylinder: LonePart, radius_over_skin_depth: float, share: float, tolerance: float
) -> None:
    """An alternating field falls off towards the axis of a long cylinder as the Bessel function says."""
    assert axis_over_surface(cylinder, radius_over_skin_depth) == pytest.approx(share, rel=tolerance)


def test_finer_columns_approach_the_bessel_function() -> None:
    """Twice the columns bring the field on the axis four times closer to the exact one."""
    # 1/|J0((1 - i) 3)| = 0.252183, evaluated.
    errors = [
        axis_over_surface(lone_part(RADIUS_M, 6 * RADIUS_M, columns, half_rows), 3.0) / 0.252183 - 1.0
        for columns, half_rows in ((6, 12), (12, 24))
    ]
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.25)


def axis_over_surface(part: LonePart, radius_over_skin_depth: float) -> float:
    """Field on the axis over the field outside, for a uniform alternating field."""
    omega = 2.0 * DIFFUSIVITY_M2_PER_S * (radius_over_skin_depth / RADIUS_M) ** 2
    impedance = np.diag(RESISTIVITY_OHM_M * part.resistance) + 1j * omega * part.inductance
    currents = np.linalg.solve(impedance, -1j * omega * part.uniform_flux())
    in_phase, behind = currents.real.astype(np.float64), currents.imag.astype(np.float64)

    def field(radius: float) -> complex:
        return 1.0 + complex(part.axial_field(in_phase, radius), part.axial_field(behind, radius))

    return abs(field(1e-3 * RADIUS_M) / field(1.2 * RADIUS_M))
