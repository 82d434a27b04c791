"""Fits as jobs, on a real server with the real model: what they find, what they make of the bench, whoever dies."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest

from physics.result import ShotResult
from physics.shot import Shot
from physics.simulate import simulate_with_current
from tests.worker.fired import BENCH, PLAN, TRUTH, fired, planned
from worker.bench import BenchDescription, BenchRevision, DesignOnBench, ShotOnBench
from worker.errors import FitGone, FitStillActive, IdempotencyConflict, InputRefused
from worker.fit import FitJob, FitOutcome, FitRequest
from worker.fit_service import FitService
from worker.fits.estimate import Floats
from worker.fitting import do_fit
from worker.record_service import RecordService
from worker.records import FIT_PREFIX, Due, SlotName
from worker.request import Spreads
from worker.service import DesignService
from worker.shot_record import Record, RecordRequest
from worker.store import Store
from worker.watchdog import Watchdog


class Laboratory:
    """A bench, records of what was fired on it, and fits."""

    def __init__(self, store: Store) -> None:
        self.sent: list[SlotName] = []
        self.designs = DesignService(store, self.sent.append)
        self.benches = self.designs.benches
        self.records = RecordService(store, self.benches)
        self.fits = FitService(self.designs, self.records.store)
        self.bench = self.new_bench()

    def new_bench(self, **changes: Any) -> BenchRevision:
        return self.benches.create(BenchDescription.model_validate({**BENCH, **changes}))

    def fire(self, voltage_v: float, turns: int, seed: int, **changes: Any) -> Record:
        body = fired(planned(voltage_v, turns), seed, {"id": self.bench.id}, **changes)
        return self.records.submit(RecordRequest.model_validate(body))

    def asked(self, **changes: Any) -> FitRequest:
        body = {"bench": {"id": self.bench.id}, "fidelity": "screen", **changes}
        return FitRequest.model_validate(body)

    def done(self, request: FitRequest) -> FitJob:
        fit_id = self.fits.submit(request).id
        do_fit(self.fits.store, self.benches, self.sent.pop())
        return self.fits.store.get(fit_id)


@pytest.fixture
def lab(store: Store) -> Laboratory:
    return Laboratory(store)


@pytest.fixture
def three(lab: Laboratory) -> Laboratory:
    """The laboratory with three shots fired."""
    for seed, (voltage_v, turns) in enumerate(PLAN):
        lab.fire(voltage_v, turns, seed)
    return lab


@pytest.fixture
def one(lab: Laboratory) -> Laboratory:
    """The laboratory with one shot fired, which is fitted quickly."""
    lab.fire(*PLAN[0], seed=0)
    return lab


def refusal(lab: Laboratory, request: FitRequest) -> tuple[str, str]:
    with pytest.raises(InputRefused) as refused:
        lab.fits.submit(request)
    (problem,) = refused.value.problems
    return problem.pointer, problem.detail


def test_fit_finds_the_hidden_bench_and_makes_the_next_revision(three: Laboratory) -> None:
    """Quantities within three errors; the revision has them, says which fit made it, and the first stays as it was."""
    found = three.done(three.asked(name="first"))
    assert (found.state, found.failure, found.progress.records_count) == ("succeeded", None, 3)
    result = found.result
    assert result is not None
    values = {q.name: q for q in result.quantities}
    assert values.keys() == TRUTH.keys()
    for name, truth in TRUTH.items():
        assert abs(values[name].value - truth) < 3.0 * values[name].error, name
    assert found.progress.model_shots_count <= result.shots_count
    assert len(result.misfits) == 9
    assert all(misfit.weight_ratio > 0.5 for misfit in result.misfits)
    made = three.benches.get(three.bench.id)
    assert result.makes_bench == made.used
    assert (made.revision, made.bench.fitted_from) == (2, found.id)
    assert made.bench.spreads == result.spreads
    assert three.benches.get(three.bench.id, 1) == three.bench
    strays = [
        getattr(made.bench.bank, e) + getattr(made.bench.switch, e) + getattr(made.bench.leads, e)
        for e in ("inductance_henry", "resistance_ohm")
    ]
    fitted = [values[name].value for name in ("stray_inductance_henry", "stray_resistance_ohm")]
    assert strays == pytest.approx(fitted, rel=1e-12)
    assert made.bench.capacitance is not None
    assert made.bench.capacitance.low_farad == pytest.approx(1.5e-4 * values["capacitance_ratio"].value, rel=1e-12)
    assert made.bench.calibration.gap_offset_m == values["gap_offset_m"].value
    assert made.bench.calibration.flow_stress_ratio == values["flow_stress_ratio"].value
    assert made.bench.limits == three.bench.bench.limits


def test_shot_on_the_fitted_bench_comes_out_as_fired(three: Laboratory) -> None:
    """A shot that was not among the records: the fitted bench predicts it ten times better than the described one."""
    three.done(three.asked())
    body = planned(5800.0, 8).model_dump(mode="json", include={"coil", "gap_m", "workpiece", "solver"})
    asked = ShotOnBench.model_validate({**body, "bench_id": three.bench.id, "bank": {"charge_voltage_v": 5800.0}})
    real = three.fire(5800.0, 8, 9).content.sizes.final_outer_diameter_m
    assert real is not None
    misses = []
    for revision in (1, 2):
        result, _, _ = simulate_with_current(asked.resolved(three.benches.get(three.bench.id, revision)))
        assert result.summary is not None
        misses.append(abs(result.summary.final_outer_diameter_m - real))
    assert misses[1] < 1e-4
    assert misses[1] < 0.1 * misses[0]


def test_design_on_the_fitted_bench_strays_by_what_the_fit_left(three: Laboratory) -> None:
    """It takes calibration and spreads of the revision; a spread that the design states itself wins."""
    found = three.done(three.asked())
    assert found.result is not None
    body = {
        "bench_id": three.bench.id,
        "workpiece": BODY_PART,
        "target": {"final_outer_diameter_m": 0.02},
        "search": {"turns": {"low_count": 6, "high_count": 9}, "gap": {"low_m": 1e-3, "high_m": 2e-3}},
    }
    revision = three.benches.get(three.bench.id)
    taken = DesignOnBench.model_validate(body).resolved(revision)
    assert taken.spreads == found.result.spreads
    assert taken.bench.calibration == revision.bench.calibration
    own = DesignOnBench.model_validate(body | {"spreads": {"gap_m": 1e-6}}).resolved(revision)
    assert own.spreads == found.result.spreads.model_copy(update={"gap_m": 1e-6})
    plain = DesignOnBench.model_validate(body).resolved(three.benches.get(three.bench.id, 1))
    assert plain.spreads == Spreads()
    values = {q.name: q for q in found.result.quantities}
    spreads = found.result.spreads
    inductance = values["stray_inductance_henry"]
    assert spreads.stray_inductance_ratio == pytest.approx(inductance.error / inductance.value)
    assert spreads.capacitance_ratio < Spreads().capacitance_ratio
    strength = values["flow_stress_ratio"]
    assert spreads.flow_stress_ratio == pytest.approx((0.02**2 + (strength.error / strength.value) ** 2) ** 0.5)
    assert spreads.charge_voltage_ratio == Spreads().charge_voltage_ratio


BODY_PART = planned(6000.0, 8).workpiece.model_dump(mode="json")


def test_next_shots_are_inside_every_limit(three: Laboratory) -> None:
    """What is suggested differs from the last shot, would shrink what is uncertain, and exceeds no limit."""
    limits = BENCH["limits"] | {"charge_voltage_v": 5600.0}
    body = three.bench.bench.model_dump(mode="json") | {"limits": limits}
    three.benches.revise(three.bench.id, 1, BenchDescription.model_validate(body))
    found = three.done(three.asked(makes_revision=False))
    assert found.result is not None
    assert found.result.makes_bench is None
    assert three.benches.get(three.bench.id).revision == 2
    suggested = found.result.next_shots
    assert 1 <= len(suggested) <= 3
    assert [s.volume_ratio for s in suggested] == sorted(s.volume_ratio for s in suggested)
    assert suggested[0].volume_ratio < 1.0
    errors = {q.name: q.error for q in found.result.quantities}
    for shot in suggested:
        assert shot.charge_voltage_v <= limits["charge_voltage_v"]
        assert shot.shot.stored_energy_j <= limits["stored_energy_j"]
        assert all(expected.error <= errors[expected.name] * 1.001 for expected in shot.expected_errors)


def test_wrong_size_is_called_out(lab: Laboratory) -> None:
    """A diameter read 1 mm wrong among three shots counts little, and the remark names its record."""
    for seed, (voltage_v, turns) in enumerate(PLAN[:2]):
        lab.fire(voltage_v, turns, seed)
    body = fired(planned(5800.0, 8), 4, {"id": lab.bench.id})
    body["sizes"]["final_outer_diameter_m"] += 1e-3
    wrong = lab.records.submit(RecordRequest.model_validate(body))
    found = lab.done(lab.asked())
    assert found.result is not None
    down = [m for m in found.result.misfits if m.weight_ratio < 0.5]
    assert [(m.record_id, m.measured) for m in down] == [(wrong.id, "final_outer_diameter_m")]
    assert any("shot 4" in remark and "final_outer_diameter_m" in remark for remark in found.result.remarks)


def test_which_records_are_meant(three: Laboratory) -> None:
    """All of the bench, those since a time, or those named; superseded and empty ones are not fitted."""
    first, second, third = three.records.store.of_bench(three.bench.id, 10)
    assert [r.content.name for r in (first, second, third)] == ["shot 0", "shot 1", "shot 2"]

    def ids(**changes: Any) -> list[str]:
        return three.fits.submit(three.asked(**changes)).record_ids

    assert ids() == [first.id, second.id, third.id]
    assert ids(since=second.content.fired_at) == [second.id, third.id]
    assert ids(records=[third.id, first.id]) == [third.id, first.id]
    bare = fired(planned(*PLAN[0]), 5, {"id": three.bench.id}, trace=None, sizes={})
    empty = three.records.submit(RecordRequest.model_validate(bare))
    again = three.fire(*PLAN[0], seed=6, supersedes=first.id)
    assert ids() == [second.id, third.id, again.id]
    assert refusal(three, three.asked(records=[first.id]))[0] == "/records/0"
    assert refusal(three, three.asked(records=[second.id, empty.id]))[0] == "/records/1"
    assert refusal(three, three.asked(records=[str(uuid4())]))[0] == "/records/0"
    other = three.new_bench()
    pointer, words = refusal(three, three.asked(bench={"id": other.id}, records=[second.id]))
    assert (pointer, second.id in words) == ("/records/0", True)
    assert refusal(three, three.asked(bench={"id": other.id}))[0] == "/bench/id"
    assert refusal(three, three.asked(bench={"id": str(uuid4())}))[0] == "/bench/id"
    assert refusal(three, three.asked(bench={"id": other.id, "revision": 3}))[0] == "/bench/revision"
    late = third.content.fired_at + timedelta(days=1)
    assert refusal(three, three.asked(since=late))[0] == "/bench/id"
    nothing = dict.fromkeys(three.asked().priors.model_fields_set or type(three.asked().priors).model_fields, 0.0)
    assert refusal(three, three.asked(priors=nothing))[0] == "/priors"


def test_same_key_makes_one_fit(three: Laboratory) -> None:
    """With another body it is refused; without a key there are two."""
    made = three.fits.submit(three.asked(), "k")
    assert three.fits.submit(three.asked(), "k") == made
    assert len(three.sent) == 1
    with pytest.raises(IdempotencyConflict):
        three.fits.submit(three.asked(name="else"), "k")
    assert three.fits.submit(three.asked()).id != made.id


# ---- whoever dies ----------------------------------------------------------------------------------------------------

Model = Callable[[Shot], tuple[ShotResult, Floats, Floats]]


def after(count: int, then: Callable[[], None]) -> Model:
    """The model, with something that happens at one of its runs."""
    runs = 0

    def model(shot: Shot) -> tuple[ShotResult, Floats, Floats]:
        nonlocal runs
        runs += 1
        if runs == count:
            then()
        return simulate_with_current(shot)

    return model


class _Death(BaseException):
    """The end of a worker's process."""


def die() -> None:
    raise _Death


def test_fit_of_a_dead_worker_is_done_by_another(one: Laboratory, store: Store) -> None:
    """Found by the sweep once its lease has run out, with the same answer, and one revision only."""
    quick = Store(store.client, lease_seconds=0.05)
    fit_id = one.fits.submit(one.asked()).id
    slot = one.sent.pop()
    with pytest.raises(_Death):
        do_fit(quick.fits, one.benches, slot, after(20, die))
    assert one.fits.store.get(fit_id).state == "running"
    time.sleep(0.1)
    assert quick.sweep() == [Due(slot=slot, state="queued")]
    do_fit(store.fits, one.benches, slot)
    found = store.fits.get(fit_id)
    assert (found.state, found.progress.repeats_count) == ("succeeded", 1)
    assert one.benches.get(one.bench.id).revision == 2
    do_fit(store.fits, one.benches, slot)  # the message comes once more
    assert one.benches.get(one.bench.id).revision == 2
    again = one.done(one.asked(bench={"id": one.bench.id, "revision": 1}, makes_revision=False))
    assert again.result is not None
    assert found.result is not None
    assert again.result.quantities == found.result.quantities


def test_fit_that_always_kills_its_worker_is_given_up(one: Laboratory, store: Store) -> None:
    """After three attempts it has failed, says so, and there is no revision."""
    quick = Store(store.client, lease_seconds=0.05)
    watchdog = Watchdog(quick, one.sent.append)
    fit_id = one.fits.submit(one.asked()).id
    deadline = time.monotonic() + 30.0
    while not store.fits.get(fit_id).ended:
        assert time.monotonic() < deadline
        time.sleep(0.06)
        while one.sent:
            try:
                do_fit(quick.fits, one.benches, one.sent.pop(), after(3, die))
            except _Death:
                continue
        watchdog.sweep()
    found = store.fits.get(fit_id)
    assert (found.state, found.result) == ("failed", None)
    assert found.failure is not None
    assert "3 attempts" in found.failure
    assert one.benches.get(one.bench.id).revision == 1


def test_late_worker_changes_nothing(one: Laboratory, store: Store) -> None:
    """One whose lease went to another makes no second revision when it comes to its end after all."""
    quick = Store(store.client, lease_seconds=0.05)
    one.fits.submit(one.asked())
    slot = one.sent.pop()
    lease = quick.fits.lease(slot)
    assert lease is not None
    time.sleep(0.1)
    do_fit(store.fits, one.benches, slot)
    assert one.benches.get(one.bench.id).revision == 2
    outcome = store.fits.get(slot.job_id.removeprefix(FIT_PREFIX))
    description = one.bench.bench
    assert quick.fits.end(lease, None, one.bench.id, 2, description) == "lost"
    assert one.benches.get(one.bench.id).revision == 2
    assert store.fits.get(outcome.id) == outcome


def test_revision_follows_the_latest_one_or_none(one: Laboratory, store: Store) -> None:
    """A bench that changed between reading and writing is left as it is, and the fit can still be ended."""
    fit_id = one.fits.submit(one.asked()).id
    lease = store.fits.lease(one.sent.pop())
    assert lease is not None
    failed = FitOutcome(failure="none", attempts_count=1)
    changed = one.benches.revise(one.bench.id, 1, one.bench.bench)
    assert store.fits.end(lease, failed, one.bench.id, 1, one.bench.bench) == "changed"
    assert (one.benches.get(one.bench.id), store.fits.get(fit_id).state) == (changed, "running")
    assert store.fits.end(lease, failed, str(uuid4()), 1, one.bench.bench) == "unknown"
    assert store.fits.end(lease, failed, one.bench.id, 2, one.bench.bench) == "ended"
    assert one.benches.get(one.bench.id).revision == 3


def test_cancelled_fit_stops_and_makes_no_revision(one: Laboratory, store: Store) -> None:
    """A waiting one ends at once, one at work within some shots; only an ended one is deleted."""
    waiting = one.fits.submit(one.asked())
    with pytest.raises(FitStillActive):
        store.fits.delete(waiting.id)
    assert store.fits.cancel(waiting.id).state == "cancelled"
    do_fit(store.fits, one.benches, one.sent.pop())
    at_work = one.fits.submit(one.asked())

    def cancel() -> None:
        store.fits.cancel(at_work.id)
        time.sleep(1.5)  # until the next sign of life

    do_fit(store.fits, one.benches, one.sent.pop(), after(10, cancel))
    found = store.fits.get(at_work.id)
    assert (found.state, found.result) == ("cancelled", None)
    assert found.progress.model_shots_count <= 12
    assert one.benches.get(one.bench.id).revision == 1
    store.fits.delete(at_work.id)
    with pytest.raises(FitGone):
        store.fits.get(at_work.id)


def test_bench_that_changed_meanwhile_keeps_its_changes(one: Laboratory, store: Store) -> None:
    """Limits and notes of the revision that came in between stay, and the result says that there was one."""
    fit_id = one.fits.submit(one.asked()).id
    slot = one.sent.pop()

    def revise() -> None:
        body = one.bench.bench.model_dump(mode="json") | {"notes": "new cable", "leads": {"inductance_henry": 9e-8}}
        one.benches.revise(one.bench.id, 1, BenchDescription.model_validate(body))

    do_fit(store.fits, one.benches, slot, after(10, revise))
    found, made = store.fits.get(fit_id), one.benches.get(one.bench.id)
    assert (made.revision, made.bench.notes, made.bench.fitted_from) == (3, "new cable", fit_id)
    assert made.bench.leads.inductance_henry > 1e-7
    assert found.result is not None
    assert any("revision 2" in remark for remark in found.result.remarks)


def test_bench_that_was_deleted_meanwhile_gets_no_revision(one: Laboratory, store: Store) -> None:
    """The fit has its answer all the same, made from what was there when it was asked for."""
    fit_id = one.fits.submit(one.asked()).id
    for record in one.records.store.of_bench(one.bench.id, 10):
        one.records.store.delete(record.id)
    one.benches.delete(one.bench.id)
    do_fit(store.fits, one.benches, one.sent.pop())
    found = store.fits.get(fit_id)
    assert found.state == "succeeded"
    assert found.result is not None
    assert found.result.makes_bench is None
    assert any("deleted" in remark for remark in found.result.remarks)


def test_model_that_fails_is_told(one: Laboratory, store: Store) -> None:
    """A fault of the model ends the fit as failed, with its words, and not the worker."""

    def fail() -> None:
        raise RuntimeError("a fault")

    fit_id = one.fits.submit(one.asked()).id
    do_fit(store.fits, one.benches, one.sent.pop(), after(2, fail))
    found = store.fits.get(fit_id)
    assert found.state == "failed"
    assert found.failure is not None
    assert "a fault" in found.failure
