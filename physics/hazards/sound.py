"""Peak sound of the shot, as if all that is stored were an explosion on the ground."""

from __future__ import annotations

from math import exp, log, log10

import numpy as np
from scipy.optimize import brentq

from physics.facts import Facts
from physics.result import Estimate

#: J per kg of TNT, by convention; reference and limit of peak sound pressure, Pa (140 dB, 29 CFR 1910.95).
TNT_J_PER_KG, REFERENCE_PA, LIMIT_PA = 4.184e6, 2e-5, 200.0
#: Scaled distances (m / kg^(1/3)) up to which each row of coefficients holds (Swisdak 1994, simplified airblast).
_ROWS = (
    (2.9, (7.2106, -2.1069, -0.3229, 0.1117, 0.0685)),
    (23.8, (7.5938, -3.0523, 0.40977, 0.0261, -0.01267)),
    (40.0, (6.0536, -1.4066)),
)
_NEAREST, _FURTHEST = 0.2, 40.0
#: What good plugs or muffs take off in practice, dB (common practice, no source).
_ONE_PROTECTOR_DB = 20.0


def overpressure_pa(scaled_distance: float) -> float:
    """Incident peak (Pa) at a scaled distance (m / kg^(1/3) of TNT) from a hemispherical burst on the ground.

    M. M. Swisdak, Simplified Kingery airblast calculations, 1994. Nearer than 0.2 the value there is only a lower
    bound; beyond 40 sound falls with the distance, which is slower than the fit.
    """
    z = max(scaled_distance, _NEAREST)
    if z > _FURTHEST:
        return overpressure_pa(_FURTHEST) * _FURTHEST / z
    row = next(coefficients for end, coefficients in _ROWS if z <= end)
    logarithm = log(z)
    return 1e3 * exp(float(np.polynomial.polynomial.polyval(logarithm, row)))


def level_db(pressure_pa: float) -> float:
    """Peak level (dB) of a pressure (Pa) over 20 uPa."""
    return 20.0 * log10(pressure_pa / REFERENCE_PA)


def peak_sound_pa(energy_j: float, distance_m: float) -> float:
    """Peak (Pa) at a distance (m) from a burst of that energy (J)."""
    return overpressure_pa(distance_m / float(np.cbrt(energy_j / TNT_J_PER_KG)))


def distance_to_m(energy_j: float, pressure_pa: float) -> float:
    """Distance (m) at which the peak has fallen to a pressure (Pa)."""
    scale = float(np.cbrt(energy_j / TNT_J_PER_KG))
    beyond = overpressure_pa(_FURTHEST) * _FURTHEST / pressure_pa
    if beyond >= _FURTHEST:
        return scale * beyond
    found = brentq(lambda z: log(overpressure_pa(z) / pressure_pa), _NEAREST, _FURTHEST, xtol=1e-6)
    return scale * float(found)


def estimates(facts: Facts) -> list[Estimate]:
    """Peak sound at the people stated."""
    distance = facts.surroundings.people_distance_m
    pressure = peak_sound_pa(facts.energy_j, distance)
    over = level_db(pressure) - level_db(LIMIT_PA)
    return [
        Estimate(
            name="peak_sound",
            unit="Pa",
            value=pressure,
            limit=LIMIT_PA,
            limit_source="29 CFR 1910.95: no impulse above 140 dB peak",
            exceeded=pressure > LIMIT_PA,
            statement=f"up to {level_db(pressure):.0f} dB peak at {distance:g} m; {_protection(over)}; 140 dB are "
            f"reached at {distance_to_m(facts.energy_j, LIMIT_PA):.0f} m",
            source="Swisdak 1994 (simplified Kingery airblast, as transcribed), 4.184 MJ/kg; 29 CFR 1910.95, as quoted",
            equation="overpressure of E / 4.184 MJ/kg of TNT at the distance",
            validity="in the open over hard ground; walls reflect, a closed box muffles",
            errs="high, by 20 dB or more for a coil that does not burst: most of the energy makes no blast",
        )
    ]


def _protection(over_db: float) -> str:
    if over_db <= 0.0:
        return "below the limit without protection; wear it all the same"
    if over_db <= _ONE_PROTECTOR_DB:
        return f"ear protection that takes off {over_db:.0f} dB is needed"
    return (
        f"ear protection would have to take off {over_db:.0f} dB, more than one protector does for certain: keep "
        "people further away or outside, with plugs and muffs"
    )
