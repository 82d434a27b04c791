"""The faults that a bench has to survive, in closed form, without the coupled model."""

from __future__ import annotations

from math import acosh, log1p

from physics.estimates import rough_coil_inductance, stray_inductance
from physics.facts import Facts
from physics.faults.ringing import action_a2_s, peak_current_a
from physics.result import FaultShot

#: Inductance that no bank and switch go below, H: a hand's breadth of bus, for a bench whose strays are not stated.
LEAST_STRAY_HENRY = 2e-8
_RINGING = "V sqrt(C / L) e^(-a t) at its peak; action C V^2 / 2 R"
_TEXTBOOK = "series RLC circuit, textbook"


def fault_shots(facts: Facts) -> list[FaultShot]:
    """Every fault with its figures, and which of the stated limits they are over."""
    return [fault.model_copy(update={"over_limits": _over_limits(facts, fault)}) for fault in _all(facts)]


def _over_limits(facts: Facts, fault: FaultShot) -> list[str]:
    limits = facts.shot.limits
    stated = (
        ("peak_current_a", fault.peak_current_a, limits.peak_current_a),
        ("action_a2_s", fault.action_a2_s, limits.action_a2_s),
    )
    return [name for name, value, limit in stated if value is not None and limit is not None and value > limit]


def _all(facts: Facts) -> list[FaultShot]:
    return [
        _terminals_shorted(facts),
        _coil_open(facts),
        _misfire(facts),
        _prefire(facts),
        _turn_shorted(facts),
        _capacitor_shorted(facts),
    ]


def _outside(facts: Facts) -> tuple[float, float]:
    """Stray inductance (H) and resistance (ohm) up to the coil's terminals."""
    shot = facts.shot
    resistance = shot.bank.total_resistance_ohm + shot.switch.resistance_ohm + shot.leads.resistance_ohm
    return stray_inductance(shot) or LEAST_STRAY_HENRY, resistance


def _line_action_a2_s(facts: Facts) -> float | None:
    """Action (A^2 s) of switch and leads in a short: all energy in what the current cannot bypass.

    A crowbar across the bank takes the bank's own resistance out of the loop, so that the line's alone counts.
    """
    shot = facts.shot
    line = shot.switch.resistance_ohm + shot.leads.resistance_ohm
    own = 0.0 if shot.crowbar is not None else shot.bank.total_resistance_ohm
    return action_a2_s(facts.voltage_v, shot.bank.capacitance_farad, line + own)


def _terminals_shorted(facts: Facts) -> FaultShot:
    inductance, resistance = _outside(facts)
    capacitance = facts.shot.bank.capacitance_farad
    current = peak_current_a(facts.voltage_v, capacitance, inductance, resistance)
    return FaultShot(
        name="terminals_shorted",
        statement=f"the coil's terminals are bridged: {current / 1e3:.3g} kA through bank, switch and leads, ringing "
        "until the stray resistance has taken the energy",
        demands="switch, fuses, leads and clamps that bear this current once; inspect all of them afterwards",
        peak_current_a=current,
        action_a2_s=_line_action_a2_s(facts),
        energy_j=facts.energy_j,
        equation=_RINGING,
        source=_TEXTBOOK,
        validity="stated strays; 20 nH if none are",
        errs="high: the arc of the short, the switch's drop and heating of the leads are left out",
    )


def _coil_open(facts: Facts) -> FaultShot:
    return FaultShot(
        name="coil_open",
        statement=f"a broken lead or coil: nothing flows, the bank keeps {facts.voltage_v:.0f} V and "
        f"{facts.energy_j:.0f} J, and the break may still arc over",
        demands="treat it as charged: stay out, bleed down by remote control, wait, check, short, then look",
        peak_current_a=0.0,
        action_a2_s=0.0,
        energy_j=facts.energy_j,
        equation="C V^2 / 2",
        source="definition",
        validity="any bank",
        errs="exact: everything stays",
    )


def _misfire(facts: Facts) -> FaultShot:
    return FaultShot(
        name="misfire",
        statement=f"the switch does not close: the bank keeps {facts.voltage_v:.0f} V and may fire at any moment",
        demands="nobody approaches; a rule for a second trigger; dump by remote control, wait, check, short",
        peak_current_a=0.0,
        action_a2_s=0.0,
        energy_j=facts.energy_j,
        equation="C V^2 / 2",
        source="definition",
        validity="any switch",
        errs="exact: everything stays",
    )


def _prefire(facts: Facts) -> FaultShot:
    run = facts.run
    return FaultShot(
        name="prefire",
        statement=f"the switch closes by itself while charging, at any voltage up to {facts.voltage_v:.0f} V: a whole "
        "shot without warning",
        demands="everybody outside the barrier before charging begins, until the visible short is fitted; charger "
        "protected against the reversal",
        peak_current_a=run.summary.peak_current_a if run else None,
        action_a2_s=run.summary.action_a2_s if run else None,
        energy_j=facts.energy_j,
        equation="the shot itself, at full voltage",
        source="this model",
        validity="any switch; spark gaps and ignitrons more often near their hold-off voltage",
        errs="high: at less voltage everything is less",
    )


def _turn_shorted(facts: Facts) -> FaultShot:
    """One turn bridged: the others alone, lowered by the current in the bridged one, which is coupled to them."""
    inductance, resistance = _outside(facts)
    shot, turns = facts.shot, facts.shot.coil.turns_count
    if turns == 1:
        return _terminals_shorted(facts).model_copy(update={"name": "turn_shorted"})
    coupling = _neighbour_coupling(facts)
    left = rough_coil_inductance(shot) * ((turns - 1) / turns) ** 2 * (1.0 - coupling**2)
    current = peak_current_a(facts.voltage_v, shot.bank.capacitance_farad, inductance + left, resistance)
    more = turns / (turns - 1)
    return FaultShot(
        name="turn_shorted",
        statement=f"two turns touch: up to {current / 1e3:.3g} kA, the others bear {more:.2f} times their voltage, the "
        "bridged one heats and bursts early, and the part comes out wrong",
        demands="impulse test of the winding before the shot; a barrier that is good for the higher current",
        peak_current_a=current,
        action_a2_s=_line_action_a2_s(facts),
        energy_j=facts.energy_j,
        equation=f"{_RINGING}, coil of n - 1 turns times 1 - k^2, k of two neighbouring turns",
        source=f"{_TEXTBOOK}; coupled circuits",
        validity="coil round its part as two current sheets, right within some tens of per cent",
        errs="high: the bridged turn is coupled to all others as closely as to its neighbour, without resistance",
    )


def _neighbour_coupling(facts: Facts) -> float:
    """Coupling of two neighbouring turns: straight wires over a plane, the part, by their images in it (textbook).

    Self ln-term arcosh(h / a), mutual ln(1 + (2 h / s)^2) / 2, with height h, radius a and distance s.
    """
    coil = facts.shot.coil
    radius = 0.5 * coil.radial_m
    height = facts.shot.gap_m + radius
    return min(0.5 * log1p((2.0 * height / coil.pitch_m) ** 2) / acosh(height / radius), 1.0)


def _capacitor_shorted(facts: Facts) -> FaultShot:
    """One capacitor breaks down: its own charge and its neighbours' run into it."""
    bank = facts.shot.bank
    others = bank.capacitors_count - 1
    each = bank.capacitance_farad / bank.capacitors_count
    if others == 0:
        return FaultShot(
            name="capacitor_shorted",
            statement=f"a bank given as one capacitor: its own {facts.energy_j:.0f} J go off inside its case",
            demands="a case or room that holds a bursting capacitor and its oil; state capacitors_count for more",
            peak_current_a=None,
            action_a2_s=None,
            energy_j=facts.energy_j,
            equation="C V^2 / 2",
            source="definition",
            validity="one capacitor",
            errs="high: part of it leaves as heat in its leads",
        )
    # The neighbours in parallel, their own strays, and those of the failed one; bus work between them is left out.
    inductance = bank.capacitor_inductance_henry * (1.0 + 1.0 / others) or LEAST_STRAY_HENRY
    resistance = bank.capacitor_resistance_ohm * (1.0 + 1.0 / others)
    current = peak_current_a(facts.voltage_v, others * each, inductance, resistance)
    action = action_a2_s(facts.voltage_v, others * each, resistance)
    share = 1.0 / bank.capacitors_count
    normal = facts.run.summary.action_a2_s * share**2 if facts.run else None
    return FaultShot(
        name="capacitor_shorted",
        statement=f"one of {bank.capacitors_count} breaks down: its neighbours drive {current / 1e3:.3g} kA into it "
        f"and all {facts.energy_j:.0f} J may go off inside its case",
        demands=_fuse_words(normal, action),
        peak_current_a=current,
        action_a2_s=action,
        energy_j=facts.energy_j,
        equation=f"{_RINGING} with (n - 1) C, L and R of one capacitor in series with n - 1 in parallel",
        source=_TEXTBOOK,
        validity="equal capacitors with their own strays stated; bus work and fuses left out",
        errs="high: everything is taken to end in the failed one",
    )


def _fuse_words(normal: float | None, fault: float | None) -> str:
    words = "a fuse for each capacitor, or a case that bears the whole bank's energy"
    if normal is not None:
        words += f"; a fuse must bear {normal:.2g} A2s in each shot"
    if fault is not None:
        words += f" and must clear well below {fault:.2g} A2s"
    return words
