"""An island run with the real model: same seed, same trials, and recorded ones are not run again."""

from __future__ import annotations

import statistics
from collections import Counter

import pytest

from physics import ShotFigures, shot_figures
from physics.shot import Shot
from tests.worker.samples import request
from worker.island import island_seed, search, settle, starts_afresh, worth_settling
from worker.records import Candidate, SlotName

SLOT = SlotName(job_id="any", round=0, island=0)
ASKED = request(budget_trials_count=14)


@pytest.fixture(scope="module")
def island() -> list[Candidate]:
    return list(search(ASKED, SLOT, range(14), [], {}, shot_figures))


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

    def counted(shot: Shot) -> ShotFigures:
        shots[shot.solver.fidelity] += 1
        return shot_figures(shot)

    recorded = {found.number: found for found in island[:9]}
    assert list(search(ASKED, SLOT, range(14), [], recorded, counted)) == island
    assert shots["screen"] == sum(found.shots_count for found in island[9:])


def test_seed_and_place_decide(island: list[Candidate]) -> None:
    """Another seed or another island tries other coils; the seed of an island is fixed for good."""
    other = next(search(request(budget_trials_count=14, seed=8), SLOT, range(14), [], {}, shot_figures))
    assert other.parameters != island[0].parameters
    seeds = {
        island_seed(seed, SlotName(job_id="d", round=r, island=i)) for seed in (0, 1) for r in (0, 1) for i in range(4)
    }
    assert len(seeds) == 16
    # a change would change every stored design; first four bytes of what `printf 7/0/0 | sha256sum` prints
    assert island_seed(7, SLOT) == 0xC937FBF5


def test_later_round_goes_on_from_the_archive(island: list[Candidate]) -> None:
    """An island of a later round knows the archive: after its few spread trials it stays near it and wastes no shots.

    A tenth of its proposals may explore; the rest lie within the archive's reach of voltage, and are hit at once.
    """
    slot = SlotName(job_id="any", round=1, island=0)
    found = list(search(ASKED, slot, range(480, 492), island, {}, shot_figures))
    fresh = list(search(ASKED, slot, range(480, 492), [], {}, shot_figures))
    assert sum(one.shots_count for one in found) < sum(one.shots_count for one in fresh)
    least = min(one.objectives.stored_energy_j for one in found if one.objectives)
    assert least <= min(one.objectives.stored_energy_j for one in island if one.objectives)


def test_every_fourth_island_of_a_later_round_starts_afresh(island: list[Candidate]) -> None:
    """A fresh island takes no notice of the archive, so that a front in the wrong corner is found out."""
    slot = SlotName(job_id="any", round=1, island=3)
    assert starts_afresh(slot)
    assert starts_afresh(SLOT)
    found = [c.parameters for c in search(ASKED, slot, range(480, 488), island, {}, shot_figures)]
    assert found == [c.parameters for c in search(ASKED, slot, range(480, 488), [], {}, shot_figures)]


def test_first_guess_is_near_after_the_spread_trials() -> None:
    """From the first dozen trials on the landscape knows the voltage of most new coils: few need a third shot."""
    slot = SlotName(job_id="any", round=0, island=1)
    found = list(search(ASKED, slot, range(40), [], {}, shot_figures))[12:]
    assert statistics.median(one.shots_count for one in found) <= 2
    assert statistics.mean(one.shots_count for one in found) <= 2.5


def test_settled_candidates_hit_the_target_on_the_finer_mesh(island: list[Candidate]) -> None:
    """The best few are solved again at design fidelity, in few shots, and keep their numbers."""
    chosen = worth_settling(island)
    settled = list(settle(ASKED, island, shot_figures))
    assert [found.number for found in settled] == [found.number for found in chosen]
    assert 1 <= len(settled) <= 6
    for found, searched in zip(settled, chosen, strict=True):
        assert found.fidelity == "design"
        assert found.feasible
        assert found.final_outer_diameter_m == pytest.approx(0.024, abs=1e-4)
        assert found.shots_count - searched.shots_count <= 4
