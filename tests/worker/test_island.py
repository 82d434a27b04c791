"""An island run with the real model: same seed, same trials, and recorded ones are not run again."""

from __future__ import annotations

from collections import Counter

import pytest

from physics import ShotResult, simulate_shot
from physics.shot import Shot
from tests.worker.samples import request
from worker.island import island_seed, search, settle, worth_settling
from worker.records import Candidate, SlotName

SLOT = SlotName(design_id="any", round=0, island=0)
ASKED = request(budget_trials_count=14)


@pytest.fixture(scope="module")
def island() -> list[Candidate]:
    return list(search(ASKED, SLOT, [], {}, simulate_shot))


def test_every_trial_is_inside_the_search_space(island: list[Candidate]) -> None:
    """Turns, wire, gap and capacitance of each trial are allowed ones, and each number comes once."""
    assert [found.number for found in island] == list(range(14))
    for found in island:
        p = found.parameters
        assert 5 <= p.turns_count <= 10
        assert p.wire in ASKED.search.wires
        assert 8e-4 <= p.gap_m <= 2e-3
        assert 8e-5 <= p.capacitance_farad <= 3e-4


def test_recorded_trials_are_not_run_again(island: list[Candidate]) -> None:
    """A restarted island takes up after its recorded trials and finds, bit for bit, what it would have found."""
    shots: Counter[str] = Counter()

    def counted(shot: Shot) -> ShotResult:
        shots[shot.solver.fidelity] += 1
        return simulate_shot(shot)

    recorded = {found.number: found for found in island[:9]}
    assert list(search(ASKED, SLOT, [], recorded, counted)) == island
    assert shots["screen"] == sum(found.shots_count for found in island[9:])


def test_seed_and_place_decide(island: list[Candidate]) -> None:
    """Another seed or another island tries other coils; the seed of an island is fixed for good."""
    other = next(search(request(budget_trials_count=14, seed=8), SLOT, [], {}, simulate_shot))
    assert other.parameters != island[0].parameters
    seeds = {
        island_seed(seed, SlotName(design_id="d", round=r, island=i))
        for seed in (0, 1)
        for r in (0, 1)
        for i in range(4)
    }
    assert len(seeds) == 16
    # a change would change every stored design; first four bytes of what `printf 7/0/0 | sha256sum` prints
    assert island_seed(7, SLOT) == 0xC937FBF5


def test_later_round_starts_from_the_archive(island: list[Candidate]) -> None:
    """The first trials of an island in a later round are those of the front found so far."""
    asked = request(budget_trials_count=490)
    slot = SlotName(design_id="any", round=1, island=0)
    archive = [found.parameters for found in island[:2]]
    trials = search(asked, slot, archive, {}, simulate_shot)
    assert [next(trials).parameters for _ in archive] == archive


def test_settled_candidates_hit_the_target_on_the_finer_mesh(island: list[Candidate]) -> None:
    """The best few are solved again at design fidelity, in few shots, and keep their numbers."""
    chosen = worth_settling(island)
    settled = list(settle(ASKED, island, simulate_shot))
    assert [found.number for found in settled] == [found.number for found in chosen]
    assert 1 <= len(settled) <= 6
    for found, searched in zip(settled, chosen, strict=True):
        assert found.fidelity == "design"
        assert found.feasible
        assert found.final_outer_diameter_m == pytest.approx(0.024, abs=1e-4)
        assert found.shots_count - searched.shots_count <= 4
