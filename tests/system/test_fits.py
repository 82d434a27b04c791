"""Fits on real workers: one that is killed outright changes nothing, and a design on the fitted bench uses the fit."""

from __future__ import annotations

from tests.system.conftest import StartWorker, wait_for, wait_for_end
from tests.worker.fired import BENCH, PLAN, TRUTH, fired, planned
from worker.bench import BenchDescription, DesignOnBench
from worker.fit import FitRequest
from worker.fit_service import FitService
from worker.record_service import RecordService
from worker.service import DesignService
from worker.shot_record import RecordRequest


def test_fit_survives_its_worker_and_the_next_design_uses_it(service: DesignService, start_worker: StartWorker) -> None:
    """Records of a bench with hidden parameters; the process is killed in the middle of the fit, which another ends.

    There is one new revision, near the truth. A design on the bench is searched with its calibration and spreads, and
    its recommended shot differs from that of the bench as it was described, by what the part is stronger.
    """
    records = RecordService(service.store, service.benches)
    fits = FitService(service, records.store)
    bench = service.benches.create(BenchDescription.model_validate(BENCH))
    for seed, (voltage_v, turns) in enumerate(PLAN):
        body = fired(planned(voltage_v, turns), seed, {"id": bench.id})
        records.submit(RecordRequest.model_validate(body))
    asked = FitRequest.model_validate({"bench": {"id": bench.id}, "fidelity": "screen"})
    first = start_worker(1)
    fit_id = fits.submit(asked).id
    wait_for(lambda: fits.store.get(fit_id).progress.model_shots_count > 0, "the fit to be at work")
    first.kill()
    assert not fits.store.get(fit_id).ended
    start_worker(2)
    wait_for(lambda: fits.store.get(fit_id).ended, "the end of the fit")
    found = fits.store.get(fit_id)
    assert (found.state, found.progress.repeats_count) == ("succeeded", 1), found.failure
    assert found.result is not None
    for quantity in found.result.quantities:
        assert abs(quantity.value - TRUTH[quantity.name]) < 3.0 * quantity.error, quantity.name
    made = service.benches.get(bench.id)
    assert (made.revision, made.bench.fitted_from) == (2, fit_id)

    body = {
        "bench_id": bench.id,
        "workpiece": planned(6000.0, 8).workpiece.model_dump(mode="json"),
        "target": {"final_outer_diameter_m": 0.021, "tolerance_m": 5e-4},
        "search": {
            "turns": {"low_count": 8, "high_count": 8},
            "gap": {"low_m": 1e-3, "high_m": 1e-3},
            "wires": ["awg_12"],
        },
        "budget_trials_count": 2,
    }
    voltages = []
    for revision in (1, 2):
        design = service.submit(DesignOnBench.model_validate({**body, "bench_revision": revision}))
        ended = wait_for_end(service, design.design_id)
        assert ended.state == "succeeded", ended.failure
        assert ended.recommended is not None
        assert ended.recommended.candidate.robustness is not None
        voltages.append(ended.recommended.candidate.charge_voltage_v or 0.0)
    assert ended.request.spreads == found.result.spreads
    assert ended.request.bench.calibration == made.bench.calibration
    # 8 % more strength, 30 % more strays, 2.5 % less capacitance: each alone asks for more voltage
    assert voltages[1] > 1.03 * voltages[0]
