"""Published facts on wires that explode, against our tables of heat and resistivity."""

from __future__ import annotations

from math import log, pi

from physics.materials import resolve
from tests.physics.handbook import melting_action, specific_action

#: A. W. DeSilva and G. B. Vunni, Phys. Rev. E 83 (2011) 037402 (read): copper wire in water, bank and resistor.
WIRE_DIAMETER_M = 0.125e-3
WIRE_LENGTH_M = 16.5e-3
CAPACITANCE_FARAD = 1.88e-6
VOLTAGE_V = 15e3
SERIES_RESISTANCE_OHM = 2.0

#: Action at which copper wires of 0.16 to 0.50 mm burst, A^2 s/m^4 (Diab et al., Sci. Rep. 2025, abstract read).
BURST_ACTION = 2.1e17


def time_of_action(action_a2_s: float, resistance_ohm: float) -> float:
    """When a capacitor's exponential discharge has passed this action, s: g = C V^2 / 2R (1 - exp(-2t / RC))."""
    whole = 0.5 * CAPACITANCE_FARAD * VOLTAGE_V**2 / resistance_ohm
    return -0.5 * resistance_ohm * CAPACITANCE_FARAD * log(1.0 - action_a2_s / whole)


def test_wire_in_water_melts_well_before_it_bursts() -> None:
    """The wire of DeSilva and Vunni is molten after a third to two thirds of the time that it takes to burst.

    It bursts within the first pulse, as they saw. The inductance is not known and neglected; it delays both.
    """
    copper = resolve("copper")
    area = 0.25 * pi * WIRE_DIAMETER_M**2
    resistance = SERIES_RESISTANCE_OHM + float(copper.resistivity.at(293.15)) * WIRE_LENGTH_M / area
    molten = time_of_action(area**2 * (specific_action(copper, 293.15, 1357.77) + melting_action(copper)), resistance)
    burst = time_of_action(area**2 * BURST_ACTION, resistance)
    assert 1.0 / 3.0 < molten / burst < 2.0 / 3.0
    assert burst < resistance * CAPACITANCE_FARAD


def test_wires_melt_in_the_order_in_which_they_explode() -> None:
    """Equal wires on equal banks explode in the order aluminium, gold, silver, copper, and our tables melt them so.

    F. D. Nash and P. D. Olsen, in Exploding Wires vol. 2, Plenum 1962 (abstract read): time to burst rises from lead
    over aluminium, gold and silver to copper and palladium.
    """
    metals = [resolve(name) for name in ("aluminium_1050_o", "gold", "silver", "copper")]
    ends = [metal.melting_temperature_k or 0.0 for metal in metals]
    actions = [
        specific_action(metal, 293.15, end) + melting_action(metal) for metal, end in zip(metals, ends, strict=True)
    ]
    assert actions == sorted(actions)
