"""Doing a fit: the records explained, what is told and what is not, the next shot, the bench's next revision."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator
from math import exp

from pydantic import ValidationError

from physics.result import ShotResult
from physics.shot import Shot
from physics.simulate import simulate_with_current
from physics.software import software
from worker.bench import BenchDescription, BenchRevision, BenchUsed
from worker.bench_store import BenchStore
from worker.errors import BenchGone, BenchUnknown
from worker.fit import (
    ExpectedError,
    FitCase,
    FitOutcome,
    FitResult,
    FittedQuantity,
    Inseparable,
    Misfit,
    NextShot,
)
from worker.fit_store import FitStore
from worker.fits.estimate import Fit, Floats, Simulate, fit
from worker.fits.identify import identify
from worker.fits.measured import Measured, Sizes
from worker.fits.next_shot import Suggestion, rank
from worker.fits.parameters import with_values
from worker.fits.revision import carries_capacitance, revised, spreads_after
from worker.job_store import bare_id
from worker.keepalive import kept_alive
from worker.records import SlotName

log = logging.getLogger(__name__)

_GOING = ("queued", "running")
#: What the next shot may differ from the last one by.
_VOLTAGE_STEPS = (0.8, 0.9, 1.0, 1.1)
_TURN_STEPS = (-1, 0, 1)
MOST_SUGGESTED = 3
#: Below this weight a measurement is called out.
_WEIGHED_DOWN = 0.5
#: From here on the model does not explain what was measured as well as it is stated to.
_BAD_CHI_SQUARE = 2.0


class _Stopped(Exception):
    """The fit was cancelled, or its lease is void."""


class _Counted:
    """The model, which counts its runs and stops when it is told to."""

    def __init__(self, simulate: Simulate) -> None:
        self._simulate = simulate
        self.count = 0
        self.stop = False

    def __call__(self, shot: Shot) -> tuple[ShotResult, Floats, Floats]:
        if self.stop:
            raise _Stopped
        self.count += 1
        return self._simulate(shot)


def do_fit(fits: FitStore, benches: BenchStore, slot: SlotName, simulate: Simulate = simulate_with_current) -> None:
    """Run a fit that has no outcome yet, unless it is in other hands.

    The same records give the same answer, so one that was broken off is begun again from its start.
    """
    lease = fits.lease(slot)
    if lease is None:
        log.info("nothing to do: the fit is over, or in other hands")
        return
    case = fits.open_case(slot.job_id)
    if case is None:
        fits.end(lease, None)
        return
    log.info("a fit of %d records is begun, attempt %d", len(case.records), lease.attempt)
    model = _Counted(simulate)

    def beat(_: object) -> str:
        state = fits.beat(lease, model.count)
        model.stop = state not in _GOING
        return state

    with kept_alive(beat):
        try:
            result, found = _fitted(case, model)
        except _Stopped:
            fits.end(lease, None)
            return
        except Exception as problem:
            log.exception("a fit failed")
            words = f"the fit failed ({problem}); it is no statement about the bench"
            fits.end(lease, FitOutcome(failure=words, attempts_count=lease.attempt))
            return
        while True:
            bench_id, latest, description, told = _revision(benches, case, found, result, bare_id(slot.job_id))
            ended = fits.end(
                lease, FitOutcome(result=told, attempts_count=lease.attempt), bench_id, latest, description
            )
            if ended in ("lost", "ended"):
                break
    log.info("a fit has ended: %s", ended)


def _fitted(case: FitCase, model: _Counted) -> tuple[FitResult, Fit]:
    records, priors = [record.measured for record in case.records], case.request.priors
    found = fit(records, priors, model, model_error_ratio=case.request.model_error_ratio)
    judged = identify(found)
    sizes = _sizes_to_measure(records)
    suggested = rank(found, list(_next_shots(case, found, model)), sizes, priors, model)
    result = FitResult(
        quantities=_quantities(found),
        correlation_ratio=found.correlation.tolist(),
        probe_scale_ratio=found.probe_scale,
        probe_scale_error_ratio=found.probe_scale_error,
        misfits=list(_misfits(case, found)),
        chi_square_ratio=found.chi_square,
        shots_count=model.count,
        told=judged.told,
        untold=judged.untold,
        inseparable=[Inseparable(one=a, other=b, correlation_ratio=r) for a, b, r in judged.inseparable],
        statement=judged.statement,
        next_shots=[_next_shot(found, suggestion) for suggestion in suggested[:MOST_SUGGESTED]],
        makes_bench=None,
        spreads=spreads_after(found, case.request.spreads, case.bench.bench),
        remarks=list(_remarks(case, found)),
        software=software(),
    )
    return result, found


def _revision(
    benches: BenchStore, case: FitCase, found: Fit, result: FitResult, fit_id: str
) -> tuple[str, int, BenchDescription | None, FitResult]:
    """Bench whose next revision is made or '', its latest revision, the description, and the result that says so."""
    if not case.request.makes_revision:
        return "", 0, None, result
    try:
        latest = benches.get(case.bench.id)
        description = revised(case.bench.bench, latest.bench, found, fit_id, result.spreads)
    except (BenchUnknown, BenchGone) as problem:
        return "", 0, None, _remarked(result, f"no revision was made: {problem}")
    except ValidationError as problem:
        words = "; ".join(str(entry["msg"]) for entry in problem.errors())
        return "", 0, None, _remarked(result, f"no revision was made, as no bench can be described so: {words}")
    told = result.model_copy(update={"makes_bench": _next_of(latest)})
    if latest.revision != case.bench.revision:
        words = f"revision {latest.revision} was made meanwhile; all of it is kept but circuit and calibration"
        told = _remarked(told, words)
    return case.bench.id, latest.revision, description, told


def _next_of(latest: BenchRevision) -> BenchUsed:
    return latest.used.model_copy(update={"revision": latest.revision + 1})


def _remarked(result: FitResult, remark: str) -> FitResult:
    return result.model_copy(update={"remarks": [*result.remarks, remark]})


def _quantities(found: Fit) -> list[FittedQuantity]:
    kept = found.unknowns_covariance.diagonal() ** 0.5
    return [
        FittedQuantity(
            name=prior.name,
            unit=prior.unit,
            stated=prior.stated,
            prior_error=prior.deviation,
            value=float(value),
            error=float(error),
            kept_error_ratio=float(ratio),
        )
        for prior, value, error, ratio in zip(found.priors, found.values, found.errors, kept, strict=True)
    ]


def _misfits(case: FitCase, found: Fit) -> Iterator[Misfit]:
    for record, misfits, weights in zip(case.records, found.misfits, found.weights, strict=True):
        for name, misfit in misfits.items():
            yield Misfit(
                record_id=record.id,
                record_name=record.name,
                measured=name,
                misfit_ratio=misfit,
                weight_ratio=weights[name],
            )


# ---- the next shot ---------------------------------------------------------------------------------------------------


def _next_shots(case: FitCase, found: Fit, model: _Counted) -> Iterator[Shot]:
    """Neighbours of the last record's shot that run to their end inside every limit, as the fit now predicts them."""
    last, limits = case.records[-1].shot, case.bench.bench.limits
    for turns in _TURN_STEPS:
        for voltage in _VOLTAGE_STEPS:
            body = last.model_dump(mode="json")
            body["coil"]["turns_count"] += turns
            body["bank"]["charge_voltage_v"] *= voltage
            try:
                shot = Shot.model_validate({**body, "limits": limits.model_dump(mode="json")})
                fitted = with_values(shot, found.as_values())
            except ValidationError:
                continue
            result, _, _ = model(fitted.model_copy(update={"limits": shot.limits, "insulation": shot.insulation}))
            if result.status == "completed" and not any(rating.exceeded for rating in result.ratings):
                yield shot


def _sizes_to_measure(records: Iterable[Measured]) -> Sizes:
    """What would be measured of it: the sizes of the last record that has any, else the outer diameter."""
    stated = [record.sizes for record in records if record.sizes.stated]
    return stated[-1] if stated else Sizes(final_outer_diameter_m=1e-2)


def _next_shot(found: Fit, suggestion: Suggestion) -> NextShot:
    units = {prior.name: prior.unit for prior in found.priors}
    return NextShot(
        charge_voltage_v=suggestion.shot.bank.charge_voltage_v,
        turns_count=suggestion.shot.coil.turns_count,
        volume_ratio=exp(-suggestion.gain),
        expected_errors=[
            ExpectedError(name=name, unit=units[name], error=error)
            for name, error in suggestion.expected_errors.items()
        ],
        shot=suggestion.shot,
    )


# ---- what to know ----------------------------------------------------------------------------------------------------


def _remarks(case: FitCase, found: Fit) -> Iterator[str]:
    names = found.as_values()
    if found.chi_square > _BAD_CHI_SQUARE:
        yield (
            f"the records differ from the best fit by {found.chi_square**0.5:.1f} times what they should; all errors "
            "are widened by that, and something is not as it is described"
        )
    down = [misfit for misfit in _misfits(case, found) if misfit.weight_ratio < _WEIGHED_DOWN]
    for misfit in down:
        label = misfit.record_name or misfit.record_id
        yield (
            f"{misfit.measured} of record {label} is {misfit.misfit_ratio:.1f} standard deviations off and counts "
            f"{misfit.weight_ratio:.2f}"
        )
    if "capacitance_ratio" in names and not carries_capacitance(case.bench.bench):
        yield (
            "the capacitance factor is not in the revision, since the bench's capacitance is set shot by shot; state "
            "what is set accordingly"
        )
    metals = sorted({_metal_of(record.shot) for record in case.records})
    if len(metals) > 1 and {"flow_stress_ratio", "resistivity_ratio"} & names.keys():
        yield f"one factor on flow stress and resistivity was fitted to parts of different metals ({'; '.join(metals)})"
    elif {"flow_stress_ratio", "resistivity_ratio"} & names.keys():
        yield f"factors on flow stress and resistivity are those of parts of {metals[0]}; state others for other metals"


def _metal_of(shot: Shot) -> str:
    layers = (layer.material for layer in shot.workpiece.layers)
    return " on ".join(name if isinstance(name, str) else "a metal of its own" for name in layers)
