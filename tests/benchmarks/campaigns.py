"""How many shots campaigns take on benches with hidden quantities: `python -m tests.benchmarks.campaigns [count]`."""

from __future__ import annotations

import sys
from collections import Counter

from tests.worker.test_campaign import AIM, run


def main() -> None:
    """Print the shares by shots taken, and whether a limit was exceeded."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    taken, over = Counter[int](), 0
    for seed in range(100, 100 + count):
        steps, currents = run(seed)
        taken[len(steps) if steps[-1].hit else -1] += 1
        over += max(currents) > (AIM.limits.peak_current_a or 0.0)
    shares = dict(sorted(taken.items()))
    print(f"{count} hidden benches; shots until within {AIM.tolerance_m * 1e3:g} mm (-1: never): {shares}")
    within = sum(number for shots, number in taken.items() if 0 < shots <= 3)
    print(f"in three or fewer: {within / count:.0%}; over the limit of current: {over}")


if __name__ == "__main__":
    main()
