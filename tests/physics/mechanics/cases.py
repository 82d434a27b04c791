"""Load cases of the mechanics oracle: shapes, metals and loads as plain data, SI.

Whoever compares another model with the oracle needs this module and oracle_cases.json, nothing else.
All loads are mirror-symmetric about the mid-plane and follow ``p(t) = peak sin^2(pi t / duration)``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi, sin


@dataclass(frozen=True)
class Metal:
    """Elastic constants, heat and Johnson-Cook flow stress ``(A + B eps^n)(1 + C ln(rate/rate0))(1 - T*^m)``."""

    density_kg_per_m3: float
    youngs_modulus_pa: float
    poisson_ratio: float
    specific_heat_j_per_kg_k: float
    a_pa: float
    b_pa: float
    n_ratio: float
    c_ratio: float
    m_ratio: float
    melting_temperature_k: float
    reference_rate_per_s: float = 1.0
    reference_temperature_k: float = 293.0

    @property
    def bulk_modulus_pa(self) -> float:
        return self.youngs_modulus_pa / (3.0 * (1.0 - 2.0 * self.poisson_ratio))

    @property
    def shear_modulus_pa(self) -> float:
        return self.youngs_modulus_pa / (2.0 * (1.0 + self.poisson_ratio))


@dataclass(frozen=True)
class Pulse:
    """A sin^2 pulse of pressure."""

    peak_pa: float
    duration_s: float

    def at(self, time_s: float) -> float:
        """Pressure (Pa) at a time (s) after the start."""
        return self.peak_pa * sin(pi * time_s / self.duration_s) ** 2 if 0.0 < time_s < self.duration_s else 0.0


@dataclass(frozen=True)
class RimPressure:
    """Pressure on the rim: inward force ``p 2 pi r dz`` of the present surface.

    Only on material that starts within `half_length_m` of the mid-plane. Where `is_following`, it is normal to the
    present surface; else its axial part is left out.
    """

    pulse: Pulse
    half_length_m: float = 1.0
    is_following: bool = False


@dataclass(frozen=True)
class RadialBand:
    """Inward body force on the material that starts within a depth of the rim, even over its volume.

    The total is the pulse times the rim's area: the first, or the present one where `is_on_present_area`. Which of the
    two matters much, since the rim gets thinner and smaller: see the variants.
    """

    pulse: Pulse
    depth_m: float
    is_on_present_area: bool = False


@dataclass(frozen=True)
class AxialBand:
    """Body force towards the mid-plane on the material that starts within a depth of the rim.

    On each half the total is the pulse times the band's first face area; its density grows as the first height to the
    `power`, 0 or 1.
    """

    pulse: Pulse
    depth_m: float
    power: int = 1


Load = RimPressure | RadialBand | AxialBand


@dataclass(frozen=True)
class Layer:
    """One metal and its part of the thickness."""

    metal: Metal
    fraction_ratio: float


@dataclass(frozen=True)
class Case:
    """A part, its loads and when to look at it. `layers` go from the mid-plane to the face."""

    name: str
    outer_diameter_m: float
    inner_diameter_m: float
    thickness_m: float
    layers: tuple[Layer, ...]
    loads: tuple[Load, ...]
    end_s: float
    radial_cells_count: int
    half_axial_cells_count: int
    temperature_k: float = 293.0
    taylor_quinney_ratio: float = 0.9


# Johnson & Cook, 7th Int. Symp. Ballistics (1983) 541: copper as transcribed, brass from memory (high). Aluminium:
# Lesuer, Kay & LeBlanc, UCRL-JC-134118 (2001), from memory (medium). Cupronickel: derived from tensile data. Both
# models are given the same constants, so how true these are does not matter here.
COPPER = Metal(8960.0, 124e9, 0.34, 385.0, 90e6, 292e6, 0.31, 0.025, 1.09, 1356.0)
BRASS = Metal(8530.0, 110e9, 0.33, 385.0, 112e6, 505e6, 0.42, 0.009, 1.68, 1189.0)
ALUMINIUM = Metal(2700.0, 68.9e9, 0.33, 896.0, 324e6, 114e6, 0.42, 0.002, 1.34, 925.0)
CUPRONICKEL = Metal(8940.0, 145e9, 0.33, 377.0, 131e6, 580e6, 0.41, 0.02, 1.18, 1426.0)
#: Copper that never yields.
ELASTIC = Metal(8960.0, 124e9, 0.34, 385.0, 1e12, 0.0, 1.0, 0.0, 1.0, 1356.0)

_BAND_M = 1.2e-3
_DISC = Case(
    name="disc, 0.6 GPa",
    outer_diameter_m=0.024,
    inner_diameter_m=0.0,
    thickness_m=1.75e-3,
    layers=(Layer(COPPER, 1.0),),
    loads=(RadialBand(Pulse(0.6e9, 36e-6), _BAND_M),),
    end_s=110e-6,
    radial_cells_count=48,
    half_axial_cells_count=6,
)
_TUBE = Case(
    name="tube, pressed in the middle",
    outer_diameter_m=0.030,
    inner_diameter_m=0.027,
    thickness_m=0.040,
    layers=(Layer(COPPER, 1.0),),
    loads=(RimPressure(Pulse(100e6, 36e-6), half_length_m=7.5e-3),),
    end_s=200e-6,
    radial_cells_count=6,
    half_axial_cells_count=80,
)

#: Cases that another model is held against.
CASES = (
    _DISC,
    replace(
        _DISC,
        name="disc, 0.6 GPa, 0.3 GPa axial squeeze",
        loads=(RadialBand(Pulse(0.6e9, 36e-6), _BAND_M), AxialBand(Pulse(0.3e9, 36e-6), _BAND_M)),
    ),
    replace(_DISC, name="disc, 0.5 GPa", loads=(RadialBand(Pulse(0.5e9, 36e-6), _BAND_M),)),
    replace(
        _DISC,
        name="disc, 0.5 GPa, 0.25 GPa axial squeeze",
        loads=(RadialBand(Pulse(0.5e9, 36e-6), _BAND_M), AxialBand(Pulse(0.25e9, 36e-6), _BAND_M)),
    ),
    replace(_DISC, name="disc, 0.7 GPa", loads=(RadialBand(Pulse(0.7e9, 36e-6), _BAND_M),)),
    Case(
        name="aluminium ring",
        outer_diameter_m=0.040,
        inner_diameter_m=0.032,
        thickness_m=4e-3,
        layers=(Layer(ALUMINIUM, 1.0),),
        loads=(RimPressure(Pulse(150e6, 36e-6)),),
        end_s=120e-6,
        radial_cells_count=12,
        half_axial_cells_count=6,
    ),
    Case(
        name="brass washer",
        outer_diameter_m=0.030,
        inner_diameter_m=0.012,
        thickness_m=3e-3,
        layers=(Layer(BRASS, 1.0),),
        loads=(RadialBand(Pulse(400e6, 40e-6), _BAND_M),),
        end_s=120e-6,
        radial_cells_count=36,
        half_axial_cells_count=6,
    ),
    replace(_DISC, name="clad disc, 0.6 GPa", layers=(Layer(COPPER, 0.67), Layer(CUPRONICKEL, 0.33))),
    _TUBE,
    replace(
        _DISC,
        name="elastic disc",
        layers=(Layer(ELASTIC, 1.0),),
        loads=(RimPressure(Pulse(0.6e9, 10e-6)),),
        end_s=40e-6,
    ),
)

#: The same parts under loads defined otherwise: what the definition of a load is worth.
VARIANTS = (
    replace(
        _DISC,
        name="disc, 0.6 GPa on the present area",
        loads=(RadialBand(Pulse(0.6e9, 36e-6), _BAND_M, is_on_present_area=True),),
    ),
    replace(
        _DISC,
        name="disc, 0.9 GPa on the present area",
        loads=(RadialBand(Pulse(0.9e9, 36e-6), _BAND_M, is_on_present_area=True),),
    ),
    replace(
        _TUBE,
        name="tube, pressed normal to its surface",
        loads=(RimPressure(Pulse(100e6, 36e-6), half_length_m=7.5e-3, is_following=True),),
    ),
)
