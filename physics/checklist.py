"""Go or no-go: what persons do and see before charging, while charging, at the shot and after it, with its numbers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from physics.facts import Facts
from physics.result import ChecklistItem, Estimate, FaultShot, Verdict

_PRACTICE = "common practice, no source"
_NO_ANSWER = "no answer yet"


def checklist(
    facts: Facts, verdict: Verdict, estimates: list[Estimate], faults: list[FaultShot]
) -> list[ChecklistItem]:
    """The items that apply to this shot, in the order in which they are done."""
    known = {estimate.name: estimate for estimate in estimates}
    fault = {entry.name: entry for entry in faults}
    return [
        *_before_charging(facts, verdict, known),
        *_charging(facts, known, fault),
        *_firing(known),
        *_after(facts, known),
    ]


def _before_charging(facts: Facts, verdict: Verdict, known: Mapping[str, Estimate]) -> Iterator[ChecklistItem]:
    go = "no-go: " + verdict.statement if verdict.not_to_be_fired else verdict.statement
    yield ChecklistItem(stage="before_charging", name="verdict", action=go, source="this result's verdict")
    yield ChecklistItem(
        stage="before_charging",
        name="people",
        action="Two qualified persons, a rule for who fires, everybody else named and out; the local permit.",
        source=_PRACTICE,
    )
    yield ChecklistItem(
        stage="before_charging",
        name="bank_dead",
        action="Bank bled down, measured, visible short fitted before the coil is mounted.",
        source="California Title 8 section 2893: short-circuit and ground before work",
    )
    yield from _barrier(facts, known)
    if "box_vents" in known:
        yield _with_number("before_charging", "box_vents", "Vents of the box open and baffled", known["box_vents"])
    yield from _protection(known)
    yield ChecklistItem(
        stage="before_charging",
        name="coil_fixed",
        action="Coil clamped, leads clamped and insulated, nothing loose or of iron nearby, part centred.",
        source=_PRACTICE,
    )


def _barrier(facts: Facts, known: Mapping[str, Estimate]) -> Iterator[ChecklistItem]:
    stated = facts.surroundings.barrier
    for estimate in known.values():
        if estimate.name.startswith("barrier_") and (stated or estimate.name == "barrier_mild_steel"):
            yield _with_number("before_charging", "barrier", "Barrier closed on all sides", estimate)
    if not any(name.startswith("barrier_") for name in known):
        yield ChecklistItem(
            stage="before_charging",
            name="barrier",
            action="Barrier closed on all sides; what it must stop is known once the shot has been run.",
            source=_NO_ANSWER,
        )


def _protection(known: Mapping[str, Estimate]) -> Iterator[ChecklistItem]:
    if "implant_distance" in known:
        yield _with_number(
            "before_charging", "implants", "Asked for implants, cards, watches", known["implant_distance"]
        )
    if "induced_voltage" in known:
        words = "Cables of instruments short, twisted or shielded"
        yield _with_number("before_charging", "instruments", words, known["induced_voltage"])
    yield _with_number("before_charging", "ears", "Ear protection for everybody within hearing", known["peak_sound"])
    if "flash" in known:
        yield _with_number("before_charging", "eyes", "Eye protection, no direct view", known["flash"])


def _charging(facts: Facts, known: Mapping[str, Estimate], fault: Mapping[str, FaultShot]) -> Iterator[ChecklistItem]:
    yield ChecklistItem(
        stage="charging",
        name="cleared",
        action=f"Everybody outside, doors interlocked, called out aloud. {fault['prefire'].demands.capitalize()}.",
        source=fault["prefire"].source,
    )
    yield ChecklistItem(
        stage="charging",
        name="short_removed",
        action="Visible short taken off last, by remote control or with the stick, and counted.",
        source=_PRACTICE,
    )
    yield ChecklistItem(
        stage="charging",
        name="charge_voltage",
        action=f"Charge to {facts.voltage_v:.0f} V and no further, watching two meters.",
        value=facts.voltage_v,
        unit="V",
        source="this shot",
    )
    if "charge_time" in known:
        yield _with_number("charging", "charge_time", "Abort if it takes much longer", known["charge_time"])


def _firing(known: Mapping[str, Estimate]) -> Iterator[ChecklistItem]:
    yield ChecklistItem(
        stage="firing",
        name="fire",
        action="Charger off and isolated, count down aloud, fire at once; a charged bank does not wait.",
        source=_PRACTICE,
    )
    yield _with_number("firing", "listen", "Nobody without ear protection", known["peak_sound"])


def _after(facts: Facts, known: Mapping[str, Estimate]) -> Iterator[ChecklistItem]:
    if "left_in_bank" in known:
        yield _with_number("after", "left_in_bank", "Treat the bank as charged", known["left_in_bank"])
    if "bleed_time" in known:
        yield _with_number("after", "bleed", "Bleed down by remote control and wait", known["bleed_time"])
        yield _with_number("after", "bleed_failed", "If it falls more slowly", known["bleed_time_one_failed"])
    else:
        yield ChecklistItem(
            stage="after",
            name="bleed",
            action="Bleed down by remote control and wait until two meters agree; state equipment.bleed for the time.",
            source="California Title 8 section 2893: 50 V or less within 5 min",
        )
    yield ChecklistItem(
        stage="after",
        name="misfire",
        action="If nothing happened: stay out, dump, wait, then treat the bank as charged.",
        value=facts.energy_j,
        unit="J",
        source="fault shot `misfire`",
    )
    yield _with_number(
        "after",
        "short",
        "Discharge stick through a resistor, then the hard visible short, left on",
        known["recovery_voltage"],
    )
    if "metal_vapour" in known:
        yield _with_number("after", "air", "Air the room before entering", known["metal_vapour"])
    if "part_temperature" in known:
        yield _with_number("after", "hot_part", "Part and pieces with tongs", known["part_temperature"])
    yield ChecklistItem(
        stage="after",
        name="inspect",
        action="Look at capacitors, switch, clamps and barrier; collect the pieces; write down what was measured.",
        source=_PRACTICE,
    )


def _with_number(stage: str, name: str, words: str, estimate: Estimate) -> ChecklistItem:
    return ChecklistItem.model_validate(
        {
            "stage": stage,
            "name": name,
            "action": f"{words}: {estimate.statement}.",
            "value": estimate.value,
            "unit": estimate.unit,
            "source": estimate.source,
        }
    )
