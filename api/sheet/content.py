"""What the sheet says, as plain data: both forms are made of it, so that they cannot differ."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from api.sheet import drawings
from api.sheet.drawings import Picture
from api.sheet.winding import instructions
from physics.hazards import CAUTIONS
from physics.result import ShotResult
from physics.schema import UNITS, unit_of
from physics.shot import Shot
from worker import words
from worker.fits.measured import Sizes
from worker.records import Robustness
from worker.shot_record import RecordRequest, Setting

#: What a trace gives is compared too, though the record form does not ask for it: the file says it.
OF_TRACE = ("peak_current_a", "time_to_peak_s", "first_current_zero_s")


@dataclass(frozen=True)
class Block:
    """A table: title, heads of columns, and rows of as many cells; `bars` are shares drawn in the last column."""

    title: str
    head: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]
    bars: Sequence[float] = ()


@dataclass(frozen=True)
class Sheet:
    """Everything on it, in reading order."""

    title: str
    made_at: str
    verdict: str
    stop: bool
    settings: list[tuple[str, str]]
    cautions: tuple[str, ...]
    winding: Block
    bench: Block
    section: Picture | None
    checks: list[tuple[str, list[str]]]
    predicted: Block
    waveforms: list[Picture]
    limits: Block
    hazards: Block
    faults: Block
    measured: Block
    footer: list[str]


def sheet_of(title: str, result: ShotResult, robustness: Robustness | None, made_at: datetime, spelled: str) -> Sheet:
    """The sheet of a shot; `spelled` says which design and candidate it is."""
    checksum = result.provenance.input_sha256
    return Sheet(
        title=title,
        made_at=f"{made_at:%Y-%m-%d %H:%M} UTC",
        verdict=result.verdict.statement + ("" if result.status == "completed" else f" {result.advice}"),
        stop=result.verdict.not_to_be_fired or result.summary is None,
        settings=_settings(result.shot),
        cautions=CAUTIONS,
        winding=Block("Wind the coil", ("what", "how"), instructions(result.shot)),
        bench=Block("Set the bench", ("what", "to"), list(_bench(result.shot, robustness))),
        section=drawings.section(result) if result.summary else None,
        checks=_checks(result),
        predicted=Block("Predicted", ("figure", "value", "±"), list(_predicted(result, robustness))),
        waveforms=drawings.waveforms(result) if result.series else [],
        limits=_limits(result),
        hazards=Block("Hazards: estimates", ("what", "value", "what follows"), list(_hazards(result))),
        faults=Block("If something fails", ("fault", "current", "what it demands"), list(_faults(result))),
        measured=Block("Measured", ("figure", "predicted", "measured"), list(measured_rows(result))),
        footer=[
            spelled,
            (
                f"model {result.provenance.model_version}, program {result.provenance.software_version}, "
                f"data {result.provenance.material_data_version}"
            ),
            f"checksum {checksum[:4]} {checksum[4:8]} … of the input: {checksum}",
        ],
    )


def _settings(shot: Shot) -> list[tuple[str, str]]:
    bank = shot.bank
    return [
        ("charge to", words.voltage(bank.charge_voltage_v)),
        ("capacitance", words.capacitance(bank.capacitance_farad)),
        ("stored energy", words.energy(0.5 * bank.capacitance_farad * bank.charge_voltage_v**2)),
    ]


def _bench(shot: Shot, robustness: Robustness | None) -> Iterator[tuple[str, str]]:
    part, bank, switch = shot.workpiece, shot.bank, shot.switch
    yield "part", f"{part.shape} of {_metals(shot)}"
    bore = f", bore {words.length(part.inner_diameter_m)}" if part.inner_diameter_m else ""
    yield "size", f"{words.length(part.outer_diameter_m)} across{bore}, {words.length(part.thickness_m)} thick"
    count = bank.capacitors_count
    each = f", {count} of {words.capacitance(bank.capacitance_farad / count)}" if count > 1 else ""
    yield "bank", f"{words.capacitance(bank.capacitance_farad)}{each}"
    yield "charge voltage", f"{bank.charge_voltage_v:.0f} V"
    if robustness is not None:
        yield "trim that would centre it", f"{robustness.voltage_trim_ratio * bank.charge_voltage_v:+.0f} V"
    strays = (bank, switch, shot.leads)
    yield (
        "strays in all",
        (
            f"{sum(one.inductance_henry for one in strays) * 1e9:.0f} nH, "
            f"{sum(one.resistance_ohm for one in strays) * 1e3:.2f} mΩ"
        ),
    )
    blocks = "" if switch.conducts_reverse else ", blocks reverse current"
    yield "switch", switch.kind.replace("_", " ") + blocks
    yield "crowbar", "none" if shot.crowbar is None else "fitted"


def _metals(shot: Shot) -> str:
    names = [layer.material for layer in shot.workpiece.layers]
    return " / ".join(name.replace("_", " ") if isinstance(name, str) else "own metal" for name in names)


_PREDICTED = (
    "final_outer_diameter_m",
    "final_inner_diameter_m",
    "final_rim_thickness_m",
    "final_centre_thickness_m",
    "peak_current_a",
    "time_to_peak_s",
    "first_current_zero_s",
    "voltage_reversal_ratio",
    "peak_gap_field_tesla",
    "peak_workpiece_temperature_k",
    "peak_coil_temperature_k",
    "burst_time_s",
    "debris_velocity_m_per_s",
    "debris_energy_j",
)


def _predicted(result: ShotResult, robustness: Robustness | None) -> Iterator[tuple[str, str, str]]:
    """Each with the error of mesh and step, or twice the scatter from shot to shot, whichever is known and larger."""
    if result.summary is None:
        return
    for name in _PREDICTED:
        value = getattr(result.summary, name)
        if value is None or (name == "final_inner_diameter_m" and not result.shot.workpiece.inner_diameter_m):
            continue
        error = getattr(result.numerical_error, name, None)
        note = f"{_told(name, error)} mesh" if error else ""
        if name == "final_outer_diameter_m" and robustness is not None:
            note = f"{_told(name, 2.0 * robustness.spread_m)} 2σ"
        yield label(name), _told(name, value), note


def _limits(result: ShotResult) -> Block:
    rows, bars = [], []
    for rating in result.ratings:
        used = 1.0 - rating.margin_ratio
        rows.append(
            (
                label(rating.name),
                f"{words.quantity(rating.value, rating.unit)} of {words.quantity(rating.limit, rating.unit)}",
                "OVER" if rating.exceeded else f"{words.share(rating.margin_ratio)} left",
            )
        )
        bars.append(min(max(used, 0.0), 1.0))
    rows += [(label(name), "stated, but not rated", "") for name in result.verdict.not_rated]
    bars += [0.0] * len(result.verdict.not_rated)
    return Block("Limits", ("limit", "used", "margin"), rows, bars)


def _hazards(result: ShotResult) -> Iterator[tuple[str, str, str]]:
    for estimate in result.hazards.estimates:
        value = "–" if estimate.value is None else words.quantity(estimate.value, estimate.unit)
        yield estimate.name.replace("_", " "), value, estimate.statement


def _faults(result: ShotResult) -> Iterator[tuple[str, str, str]]:
    for fault in result.faults:
        current = "–" if fault.peak_current_a is None else words.current(fault.peak_current_a)
        yield fault.name.replace("_", " "), current, fault.demands


def _checks(result: ShotResult) -> list[tuple[str, list[str]]]:
    stages: dict[str, list[str]] = {}
    for item in result.checklist:
        stages.setdefault(item.stage.replace("_", " "), []).append(item.action)
    return list(stages.items())


def measured_fields() -> list[str]:
    """What can be measured or set, by name: the fields of a record, so that sheet and form cannot differ."""
    record = [name for name in RecordRequest.model_fields if unit_of(name) is not None]
    return [*Setting.model_fields, *Sizes.model_fields, *record]


def measured_rows(result: ShotResult) -> Iterator[tuple[str, str, str]]:
    """The fields of a record with what is planned or predicted, and room; then what its trace gives."""
    shot = result.shot
    known: dict[str, Any] = result.summary.model_dump() if result.summary else {}
    known |= {
        "charge_voltage_v": shot.bank.charge_voltage_v,
        "capacitance_farad": shot.bank.capacitance_farad,
        "gap_m": shot.gap_m,
        "outer_diameter_m": shot.workpiece.outer_diameter_m,
        "inner_diameter_m": shot.workpiece.inner_diameter_m or None,
        "thickness_m": shot.workpiece.thickness_m,
    }
    bored = shot.workpiece.inner_diameter_m > 0.0
    for name in [*measured_fields(), *OF_TRACE]:
        if "inner_diameter" in name and not bored:
            continue
        value = known.get(name)
        yield label(name), "–" if value is None else _told(name, value), ""


def label(name: str) -> str:
    """A field's name for people: `final_outer_diameter_m` is a final outer diameter."""
    endings = [ending for ending in UNITS if name.endswith(ending)]
    return name.removesuffix(max(endings, key=len, default="")).replace("_", " ")


def _told(name: str, value: float) -> str:
    unit = unit_of(name) or "1"
    if unit == "m":
        return words.length(value) if value >= 1e-4 else words.quantity(value, "m")
    if unit == "1":
        return words.share(value) if name.endswith("_ratio") else f"{value:g}"
    return words.quantity(value, unit)
