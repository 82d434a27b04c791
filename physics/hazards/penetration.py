"""How thick a barrier must be to stop a piece, by published penetration formulae in SI units.

Each function takes one piece: mass in kg, speed in m/s, diameter in m (of the sphere or rod that it is like). They are
fits to tests with harder projectiles than copper, and larger ones; below their range they err towards thicker.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt

from physics.surroundings import BarrierMaterial

_KG_PER_OUNCE = 0.028349523125
_KG_PER_POUND = 0.45359237
_M_PER_INCH = 0.0254
_M_PER_FOOT = 0.3048
_PA_PER_PSI = 6894.757293168
_J_PER_FOOT_POUND = 1.3558179483314004
#: The concrete that the constants of the formula for fragments are for, psi.
_FRAGMENT_CONCRETE_PSI = 4000.0
#: What a thickness that is just perforated is raised by for a plate of steel (BC-TOP-9A Rev. 2, from memory).
_STEEL_RAISED = 1.25
#: Shape factor of the modified formula of the National Defense Research Committee for the sharpest nose.
_SHARP = 1.14
#: Crushing strength that brickwork is credited with, Pa: weak masonry; our own convention.
BRICKWORK_PA = 5e6


@dataclass(frozen=True)
class Piece:
    """One piece of debris, as a penetration formula sees it."""

    mass_kg: float
    speed_m_per_s: float
    diameter_m: float

    @property
    def energy_j(self) -> float:
        """Kinetic energy."""
        return 0.5 * self.mass_kg * self.speed_m_per_s**2


def steel_fragment_depth_m(piece: Piece, *, armour_piercing: bool = True) -> float:
    """Depth into mild steel: X = k W^0.33 V^1.22, in, oz, 1000 ft/s; k = 0.30 armour-piercing, 0.21 mild steel.

    UFC 3-340-02, chapter 4 (from memory, high). Copper is softer than either, so the first errs high.
    """
    ounces = piece.mass_kg / _KG_PER_OUNCE
    thousand_feet = piece.speed_m_per_s / _M_PER_FOOT / 1000.0
    return float((0.30 if armour_piercing else 0.21) * ounces**0.33 * thousand_feet**1.22 * _M_PER_INCH)


def plate_perforated_m(piece: Piece) -> float:
    """Steel plate just perforated: T = E^(2/3) / 672 D; in, ft lbf (BRL formula, BC-TOP-9A Rev. 2, from memory)."""
    inches = (piece.energy_j / _J_PER_FOOT_POUND) ** (2.0 / 3.0) / (672.0 * piece.diameter_m / _M_PER_INCH)
    return float(inches * _M_PER_INCH)


def mild_steel_m(piece: Piece) -> float:
    """Mild steel that just stops the piece: the larger of both formulae, raised by a quarter as plates need."""
    return _STEEL_RAISED * max(steel_fragment_depth_m(piece), plate_perforated_m(piece))


def concrete_fragment_m(piece: Piece, strength_pa: float) -> tuple[float, float, float]:
    """Depth, thickness just perforated and thickness that just spalls, m, of concrete under a fragment.

    X = 2.86e-3 d^1.1 V^0.9 up to 2 d, else 2.04e-6 d^1.2 V^1.8 + d (in, ft/s, 4000 psi, times the root of 4000 psi over
    the strength), perforation 1.13 X d^0.1 + 1.311 d, spall 1.215 X d^0.1 + 2.12 d, with d of the standard fragment of
    that weight, (W / 0.186 lb)^(1/3) in; UFC 3-340-02, chapter 4 (from memory, high; both forms agree with the general
    one with K = 12.91 / sqrt(f'c)).
    """
    size = (piece.mass_kg / _KG_PER_POUND / 0.186) ** (1.0 / 3.0)
    feet = piece.speed_m_per_s / _M_PER_FOOT
    weaker = sqrt(_FRAGMENT_CONCRETE_PSI / (strength_pa / _PA_PER_PSI))
    depth = 2.86e-3 * size**1.1 * feet**0.9 * weaker
    if depth > 2.0 * size:
        depth = 2.04e-6 * size**1.2 * feet**1.8 * weaker + size
    perforated = 1.13 * depth * size**0.1 + 1.311 * size
    spalled = 1.215 * depth * size**0.1 + 2.12 * size
    return depth * _M_PER_INCH, perforated * _M_PER_INCH, spalled * _M_PER_INCH


def concrete_depth_ndrc_m(piece: Piece, strength_pa: float, nose: float = _SHARP) -> float:
    """Depth into concrete by the modified formula of the National Defense Research Committee, SI (Kennedy 1976).

    G = 3.8e-5 N M / (d sqrt f) (V / d)^1.8, x / d = 2 sqrt G up to G = 1, then G + 1.
    """
    d = piece.diameter_m
    g = 3.8e-5 * nose * piece.mass_kg / (d * sqrt(strength_pa)) * (piece.speed_m_per_s / d) ** 1.8
    return d * (2.0 * sqrt(g) if g <= 1.0 else g + 1.0)


def concrete_m(piece: Piece, strength_pa: float) -> float:
    """Concrete whose far side just stays whole: the larger of the fragment's spall and the second formula's scabbing.

    Scabbing by the second: 2.12 d + 1.36 x from x = 0.65 d on, else 7.91 x - 5.06 x^2 / d (from memory, med).
    """
    depth, d = concrete_depth_ndrc_m(piece, strength_pa), piece.diameter_m
    scabbed = 2.12 * d + 1.36 * depth if depth > 0.65 * d else 7.91 * depth - 5.06 * depth**2 / d
    return max(concrete_fragment_m(piece, strength_pa)[2], scabbed)


def brick_m(piece: Piece, _strength_pa: float) -> float:
    """Brickwork that just stops the piece: taken as concrete of very little strength. No formula for it was found."""
    return concrete_m(piece, BRICKWORK_PA)


#: Least thickness (m) by material, from a piece and the strength of the concrete (Pa); polycarbonate is not rated.
THICKNESS: dict[BarrierMaterial, Callable[[Piece, float], float] | None] = {
    "mild_steel": lambda piece, _: mild_steel_m(piece),
    "concrete": concrete_m,
    "brick": brick_m,
    "polycarbonate": None,
}
