"""What the benchmarks of store and queue use in place of physics, and long designs made up without any model."""

from __future__ import annotations

import random
from dataclasses import replace

from api import examples
from physics import Shot, ShotFigures, check_shot, shot_figures
from tests.worker.realistic import realistic_candidate
from tests.worker.samples import request
from worker.closing import close_round
from worker.plan import ROUND_TRIALS, numbers_of
from worker.records import Candidate
from worker.request import DesignRequest
from worker.store import Store
from worker.trial import Simulate

#: Candidates of an island that are settled, as in a real one.
SETTLED = 6


def quick_model() -> Simulate:
    """A model that costs next to nothing: shrink grows with energy, by a factor that depends on the coil."""
    template = shot_figures(check_shot(examples.SHOT))
    assert template.summary is not None
    summary = template.summary

    def simulate(shot: Shot) -> ShotFigures:
        needed_j = 1800.0 * (1.0 + 300.0 * (shot.gap_m - 8e-4) + 0.04 * (shot.coil.turns_count - 7) ** 2)
        needed_j *= 1.0 + 0.2 * (shot.bank.capacitance_farad / 1e-4 - 1.0) ** 2
        shrink_m = 6e-3 * shot.stored_energy_j / needed_j
        found = {
            "final_outer_diameter_m": max(5e-3, shot.workpiece.outer_diameter_m - shrink_m),
            "peak_current_a": 6.0 * shot.bank.charge_voltage_v,
        }
        return replace(template, shot=shot, summary=summary.model_copy(update=found), status="completed")

    return simulate


def endless_request(trials: int) -> DesignRequest:
    """A request for so many trials that does not end early."""
    return request(budget_trials_count=trials, stop_after_still_rounds_count=None)


def long_design(store: Store, trials: int, more: int = 3 * ROUND_TRIALS) -> str:
    """A design at the beginning of the round after `trials` made-up ones, with `more` to come; its id."""
    design_id = store.create(endless_request(trials + more)).design_id
    dice = random.Random(5)
    while (design := store.get(design_id)).progress.finished_trials_count < trials:
        for slot in store.first_slots(design_id):
            rows = [realistic_candidate(number, dice) for number in numbers_of(design.plan, slot)]
            lease = store.lease(slot)
            assert lease is not None
            store.fill(lease, rows, [_settled(row) for row in rows if row.feasible][:SETTLED])
        close_round(store, store.closing_of(design_id))
    return design_id


def _settled(row: Candidate) -> Candidate:
    return row.model_copy(update={"fidelity": "design"})
