"""Where the next shot of a bench is to be aimed: the steps of a campaign, each asked for by itself.

What was fired and learnt stands in the bench's records and revisions, so nothing else has to be kept: fire what is
said, record it, fit the bench, ask again.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from pydantic import Field, model_validator

from physics.result import ShotResult
from physics.schema import Checked, FieldProblem
from physics.shot import Shot
from physics.simulate import simulate_with_current
from worker import words
from worker.bench import AskedShot, BenchRevision, BenchUsed, on_bench
from worker.bench_store import BenchStore
from worker.errors import FitGone, FitUnknown, InputRefused
from worker.fit import FitResult
from worker.fit_store import FitStore
from worker.fits.aiming import Gunner, Knowledge, NoSafeShotError, first_aim
from worker.fits.estimate import Floats, Simulate
from worker.fits.parameters import Priors, priors_of
from worker.fits.revision import carries_capacitance
from worker.record_service import RecordService
from worker.shot_record import CandidateFired, Record

#: Records of the bench that are looked through for the latest shot of the plan.
_LOOKED_THROUGH = 50
#: What a plan and a record must share to be shots of one campaign.
_SAME = ("coil", "workpiece")
#: Fractions of sizes that count as the same: what was measured before the shot is never quite what was planned.
_SAME_RATIO = 0.02

AimState = Literal["fire", "within_tolerance", "fit_first", "out_of_reach", "no_safe_shot"]


class AimRequest(Checked):
    """A shot that is planned but for its voltage, and the size that it is to bring."""

    shot_of: CandidateFired | None = Field(default=None, description="A candidate of a design.")
    shot: AskedShot | None = Field(default=None, description="The shot itself; its charge voltage does not matter.")
    final_outer_diameter_m: float = Field(ge=1e-3, le=0.3, description="Wanted outer diameter.", examples=[0.024])
    tolerance_m: float = Field(ge=1e-5, le=1e-2, default=1e-4, description="Allowed deviation of the diameter.")
    priors: Priors = Field(
        default_factory=Priors, description="How far what is stated may be off, as long as the bench is not fitted."
    )

    @model_validator(mode="after")
    def _one_shot(self) -> AimRequest:
        if (self.shot_of is None) == (self.shot is None):
            raise ValueError("give exactly one of shot_of and shot")
        return self


class LatestShot(Checked):
    """The latest record of the bench with the same coil and part."""

    record_id: str
    name: str
    final_outer_diameter_m: float | None
    off_m: float | None = Field(description="Measured minus wanted.")
    is_fitted: bool = Field(description="Whether the bench's revision is from a fit that took it in.")


class AimAnswer(Checked):
    """What to do next."""

    state: AimState = Field(
        description="`fire`: the shot here is the next one; `fit_first`: the latest record is not in the bench yet; "
        "`within_tolerance`: the latest part is as wanted; `out_of_reach`: no safe shot reaches the size."
    )
    statement: str = Field(description="The same in words.")
    bench: BenchUsed = Field(description="The revision that it is aimed with.")
    aimed_at_m: float | None = Field(description="Diameter that the shot is aimed at; short of the wanted at first.")
    charge_voltage_v: float | None
    predicted_outer_diameter_m: float | None
    predicted_error_m: float | None = Field(description="Standard deviation, from what is not known of the bench.")
    highest_safe_voltage_v: float | None = Field(
        description="The highest at which no limit is exceeded, the peak current not even with two of its errors; a "
        "weaker shot may still exceed one that falls with the voltage, as reversal does, and is not proposed then."
    )
    shot: Shot | None = Field(description="The whole shot.")
    expected: ShotResult | None = Field(description="The run of it with the bench as it is known.")
    latest: LatestShot | None


class AimService:
    """Aims shots of benches."""

    def __init__(self, benches: BenchStore, records: RecordService, fits: FitStore) -> None:
        self._benches, self._records, self._fits = benches, records, fits

    def aim(self, bench_id: str, request: AimRequest, simulate: Simulate = simulate_with_current) -> AimAnswer:
        """Raises BenchUnknown or BenchGone, and InputRefused for a plan that the bench cannot be set to."""
        bench = self._benches.get(bench_id)
        planned = on_bench(self._records.planned(request.shot_of, request.shot), bench.bench)
        plan = planned.model_copy(update={"limits": bench.bench.limits})
        if request.final_outer_diameter_m >= plan.workpiece.outer_diameter_m:
            outer = plan.workpiece.outer_diameter_m
            detail = f"must be below the part's outer diameter, {outer:g} m"
            raise InputRefused([FieldProblem("/final_outer_diameter_m", detail, "m", None, outer)])
        fitted, taken_in = self._fit_of(bench)
        latest = _latest(self._records.store.of_bench(bench_id, _LOOKED_THROUGH), plan, request, taken_in)
        known = Knowledge.before(plan, request.priors) if fitted is None else known_from(fitted, plan, bench)
        gunner = Gunner(plan, bench.bench.limits, known, simulate)
        wanted = request.final_outer_diameter_m if fitted else first_aim(plan, request.final_outer_diameter_m)
        return _answer(gunner, wanted, request, bench, latest)

    def _fit_of(self, bench: BenchRevision) -> tuple[FitResult | None, Sequence[str]]:
        """What the revision was fitted by, and the records that went into it."""
        if bench.bench.fitted_from is None:
            return None, ()
        try:
            job = self._fits.get(bench.bench.fitted_from)
        except (FitUnknown, FitGone):
            return None, ()
        return job.result, job.record_ids


def known_from(fitted: FitResult, plan: Shot, bench: BenchRevision) -> Knowledge:
    """What a fit knows, about the plan on the revision that it made: its values are in it, its errors are left.

    A factor on a capacitance that is set shot by shot is not in the revision, and is put in here.
    """
    by_name = {one.name: one for one in fitted.quantities}
    deviations = {_prior_name(one.name): _as_prior(one.error, one.value, one.name) for one in fitted.quantities}
    priors = Priors.model_validate(dict.fromkeys(Priors.model_fields, 0.0) | deviations)
    quantities = priors_of(plan, priors)
    order = [list(by_name).index(one.name) for one in quantities]
    correlation = np.array(fitted.correlation_ratio)[np.ix_(order, order)]
    unknowns: Floats = np.zeros(len(quantities))
    for place, one in enumerate(quantities):
        if one.name == "capacitance_ratio" and not carries_capacitance(bench.bench) and one.share:
            unknowns[place] = np.log(by_name[one.name].value) / one.share
    return Knowledge(quantities, unknowns, correlation)


def _prior_name(name: str) -> str:
    return {"stray_inductance_henry": "stray_inductance_ratio", "stray_resistance_ohm": "stray_resistance_ratio"}.get(
        name, name
    )


def _as_prior(error: float, value: float, name: str) -> float:
    """The error as a prior states it: of a positive quantity as a share, but no more than a prior may say."""
    stated = _prior_name(name)
    most = float(next(bound.le for bound in Priors.model_fields[stated].metadata if hasattr(bound, "le")))
    return min(error / value if stated.endswith("_ratio") and value > 0.0 else error, most)


def _latest(records: Sequence[Record], plan: Shot, request: AimRequest, taken_in: Sequence[str]) -> LatestShot | None:
    """Records come in the order that they were fired."""
    same = [record for record in records if _is_alike(record.content.shot, plan)]
    if not same:
        return None
    last = same[-1]
    size = last.content.sizes.final_outer_diameter_m
    return LatestShot(
        record_id=last.id,
        name=last.content.name,
        final_outer_diameter_m=size,
        off_m=None if size is None else size - request.final_outer_diameter_m,
        is_fitted=last.id in taken_in,
    )


def _is_alike(one: Shot, other: Shot) -> bool:
    """Same coil and part, but for what a gauge tells before the shot."""
    return all(_alike(getattr(one, name).model_dump(), getattr(other, name).model_dump()) for name in _SAME)


def _alike(one: object, other: object) -> bool:
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_alike(one[name], other[name]) for name in one)
    if isinstance(one, float) and isinstance(other, float):
        return abs(one - other) <= _SAME_RATIO * max(abs(one), abs(other))
    return one == other


def _answer(
    gunner: Gunner, wanted_m: float, request: AimRequest, bench: BenchRevision, latest: LatestShot | None
) -> AimAnswer:
    try:
        highest = gunner.safest_voltage()
        shot = gunner.aimed_at(wanted_m, highest)
    except NoSafeShotError as problem:
        return _without_shot(
            f"No shot is proposed: {problem}. Change the coil, the gap, the bank or the part.", bench, latest
        )
    size, error = gunner.predict(shot)
    result = gunner.expected(shot)
    state, statement = _state(request, latest, wanted_m, size, error, shot)
    known_size = None if np.isnan(size) else size
    return AimAnswer(
        state=state,
        statement=statement,
        bench=bench.used,
        aimed_at_m=wanted_m,
        charge_voltage_v=shot.bank.charge_voltage_v,
        predicted_outer_diameter_m=known_size,
        predicted_error_m=error,
        highest_safe_voltage_v=highest,
        shot=shot,
        expected=result,
        latest=latest,
    )


def _without_shot(statement: str, bench: BenchRevision, latest: LatestShot | None) -> AimAnswer:
    return AimAnswer(
        state="no_safe_shot",
        statement=statement,
        bench=bench.used,
        aimed_at_m=None,
        charge_voltage_v=None,
        predicted_outer_diameter_m=None,
        predicted_error_m=None,
        highest_safe_voltage_v=None,
        shot=None,
        expected=None,
        latest=latest,
    )


def _state(
    request: AimRequest, latest: LatestShot | None, wanted_m: float, size_m: float, error_m: float, shot: Shot
) -> tuple[AimState, str]:
    tolerance = request.tolerance_m
    if latest is not None and latest.off_m is not None and abs(latest.off_m) <= tolerance:
        label = latest.name or latest.record_id
        return "within_tolerance", f"Record {label} is within {words.length(tolerance)} of the wanted size."
    if latest is not None and not latest.is_fitted:
        label = latest.name or latest.record_id
        return "fit_first", f"Record {label} is not in the bench yet: fit it first, then ask again."
    volts = words.voltage(shot.bank.charge_voltage_v)
    if np.isnan(size_m) or size_m > wanted_m + tolerance + 2.0 * error_m:
        return "out_of_reach", (
            f"The strongest safe shot, {volts}, stays at {words.length(size_m)}: change the coil, the gap or the bank."
        )
    short = ", short of the wanted size since little is known yet"
    short = "" if wanted_m == request.final_outer_diameter_m else short
    return "fire", (
        f"Charge to {volts}: {words.length(size_m)} ± {words.length(2.0 * error_m)} are expected{short}. "
        "Fire, record, fit, and ask again."
    )
