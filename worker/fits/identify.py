"""Which quantities the data tell, which they leave where the prior put them, and which they cannot tell apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.fits.estimate import Fit

#: Error after the fit over that of the prior: below the first a quantity is told, above the second it is not.
TOLD_RATIO, UNTOLD_RATIO = 0.5, 0.9
#: Two quantities whose errors are correlated this closely are known as a combination only.
INSEPARABLE = 0.9
#: In a combination that is not told, a quantity counts from this share of its direction on.
_PART_OF_DIRECTION = 0.35


@dataclass(frozen=True)
class Identified:
    """What the data say of each quantity, and of their combinations."""

    #: By name: error after the fit over that of the prior.
    error_ratios: dict[str, float]
    told: list[str]
    untold: list[str]
    #: Pairs with the correlation of their errors.
    inseparable: list[tuple[str, str, float]]
    #: Combinations that the data say less about than the priors do, each as names with their parts in it.
    untold_combinations: list[dict[str, float]]
    statement: str


def identify(fit: Fit) -> Identified:
    """Judge a fit by its covariance against the priors and by the Fisher information of the data alone."""
    names = [prior.name for prior in fit.priors]
    ratios = dict(zip(names, np.sqrt(np.diag(fit.unknowns_covariance)).tolist(), strict=True))
    told = [name for name, ratio in ratios.items() if ratio <= TOLD_RATIO]
    untold = [name for name, ratio in ratios.items() if ratio >= UNTOLD_RATIO]
    correlation = fit.correlation
    pairs = [
        (names[i], names[j], float(correlation[i, j]))
        for i in range(len(names))
        for j in range(i)
        if abs(correlation[i, j]) >= INSEPARABLE
    ]
    strengths, directions = np.linalg.eigh(fit.information)
    combinations = [
        {
            name: float(part)
            for name, part in zip(names, directions[:, i], strict=True)
            if abs(part) > _PART_OF_DIRECTION
        }
        for i in range(len(names))
        if strengths[i] < 1.0
    ]
    combinations = [combination for combination in combinations if len(combination) > 1]
    return Identified(ratios, told, untold, pairs, combinations, _statement(told, untold, pairs, combinations))


def _statement(
    told: list[str], untold: list[str], pairs: list[tuple[str, str, float]], combinations: list[dict[str, float]]
) -> str:
    sentences = [f"The data tell {_listed(told)}." if told else "The data tell none of the quantities."]
    if untold:
        sentences.append(f"They say next to nothing about {_listed(untold)}, which stay where their priors put them.")
    sentences += [f"They cannot tell {one} from {other} (correlation {r:.2f})." for one, other, r in pairs]
    apart = {frozenset(pair[:2]) for pair in pairs}
    sentences += [
        f"Of {_listed(list(combination))} one combination is not told."
        for combination in combinations
        if frozenset(combination) not in apart
    ]
    return " ".join(sentences)


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
