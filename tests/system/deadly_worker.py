"""`python -m tests.system.deadly_worker GAP`: a worker whose process ends at once at a shot with that gap (m).

Everything else is the worker as it is shipped.
"""

from __future__ import annotations

import os
import signal
import sys

from physics import Shot, ShotFigures, shot_figures
from worker import tasks
from worker.settings import Settings


def main() -> int:
    gap_m = float(sys.argv[1])

    def deadly(shot: Shot) -> ShotFigures:
        if shot.gap_m == gap_m:
            os.kill(os.getpid(), signal.SIGKILL)
        return shot_figures(shot)

    vars(tasks)["shot_figures"] = deadly
    settings = Settings()
    assert settings.redis_url is not None
    return tasks.serve(settings, settings.redis_url, 1)


if __name__ == "__main__":
    sys.exit(main())
