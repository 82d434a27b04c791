"""The field outside the coil: where implants must not come, and what it induces in a loop of cable."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np

from physics.constants import MU_0
from physics.facts import Facts
from physics.result import Estimate

#: Limit for active implants, T (Directive 2013/35/EU, Annex II; ICNIRP 2009 has the same number).
IMPLANT_TESLA = 5e-4
_EQUATION = "mu0 N I R^2 / 2 d^3, tails as further turns"
_VALIDITY = "no iron nearby, which can raise the field tenfold in places; leads beyond the tails are not in it"
_ERRS = "high: a dipole on its axis, and without the part's own current, which cancels most of it"
#: Induced voltage that ends most unprotected inputs (common practice, no source).
_INPUT_V = 10.0


def field_bound_tesla(ampere_turns: float, radius_m: float, distance_m: float) -> float:
    """Largest field (T) at a distance (m) from the middle of thin loops of that radius (m), in any direction.

    From d = 2 R on that of a dipole on its axis, mu0 I R^2 / 2 d^3, which no direction of the loop exceeds; nearer, the
    field on the loop's axis and that of its wire, which is close somewhere, together.
    """
    if distance_m >= 2.0 * radius_m:
        return 0.5 * MU_0 * ampere_turns * radius_m**2 / distance_m**3
    on_axis = 0.5 * MU_0 * ampere_turns * radius_m**2 / sqrt(radius_m**2 + distance_m**2) ** 3
    apart = max(abs(distance_m - radius_m), 1e-3)
    return on_axis + MU_0 * ampere_turns / (2.0 * pi * apart)


def distance_to_m(ampere_turns: float, radius_m: float, field_tesla: float) -> float:
    """Distance (m) from which on the field is below that value (T) in every direction; at least two radii."""
    return max(float(np.cbrt(0.5 * MU_0 * ampere_turns * radius_m**2 / field_tesla)), 2.0 * radius_m)


def leads_moment_m2(facts: Facts) -> float:
    """Area (m2) between the winding's tails, which carries the same current as one turn."""
    tails = facts.shot.leads.tails
    return 0.0 if tails is None else tails.length_m * tails.spacing_m


def estimates(facts: Facts) -> list[Estimate]:
    """Field at the people, the distance for implants, and a loop of cable."""
    if facts.run is None:
        return []
    around, summary = facts.surroundings, facts.run.summary
    # The area between the tails counts as more turns of the coil.
    radius = facts.coil_radius_m
    turns = facts.shot.coil.turns_count + leads_moment_m2(facts) / (pi * radius**2)
    ampere_turns = turns * summary.peak_current_a
    field = field_bound_tesla(ampere_turns, radius, around.people_distance_m)
    near = field_bound_tesla(ampere_turns, radius, around.instrument_distance_m)
    induced = near / summary.peak_current_a * summary.current_rise_a_per_s * around.instrument_loop_m2
    implant = distance_to_m(ampere_turns, radius, IMPLANT_TESLA)
    return [
        Estimate(
            name="stray_field",
            unit="T",
            value=field,
            limit=IMPLANT_TESLA,
            limit_source="Directive 2013/35/EU Annex II, active implants (from memory, high)",
            exceeded=field > IMPLANT_TESLA,
            statement=f"{1e3 * field:.2g} mT at {around.people_distance_m:g} m for some microseconds; active "
            "implants are kept where it is below 0.5 mT",
            source="field of a magnetic dipole, textbook; limit for active implants 0.5 mT",
            equation=_EQUATION,
            validity=_VALIDITY,
            errs=_ERRS,
        ),
        Estimate(
            name="implant_distance",
            unit="m",
            value=implant,
            statement=f"nobody with an active implant within {implant:.2g} m of the coil; leads and bank have a "
            "field too",
            source="field of a magnetic dipole, textbook; Directive 2013/35/EU Annex II and ICNIRP 2009, 0.5 mT",
            equation=_EQUATION,
            validity=_VALIDITY,
            errs=_ERRS,
        ),
        Estimate(
            name="induced_voltage",
            unit="V",
            value=induced,
            statement=f"in a loop of {1e4 * around.instrument_loop_m2:.3g} cm2 at {around.instrument_distance_m:g} m; "
            + ("shield or twist instrument cables" if induced > _INPUT_V else "twist instrument cables all the same"),
            source="law of induction",
            equation="A dB/dt, with the largest rise of the current and the field bound above",
            validity="as the field",
            errs="high: loop square to the field, on the axis, without the part's current",
        ),
    ]
