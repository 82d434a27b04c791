"""Compiles (first run) or loads (later runs) the physics kernels in the background, so that no request waits."""

from __future__ import annotations

import gc
import logging
import threading
import time
from collections.abc import Callable
from typing import Literal

log = logging.getLogger("shotwright.api")


class Warming:
    """One background run of `run`; `state` tells how it stands."""

    def __init__(self, run: Callable[[], object]) -> None:
        self._run = run
        self._started_s = time.monotonic()
        self.state: Literal["warming", "warm", "failed"] = "warming"
        self.detail = "compiling or loading the kernels"

    def start(self) -> None:
        """Return at once; the run goes on in a thread that does not hold up the program's end."""
        threading.Thread(target=self._warm, name="warming", daemon=True).start()

    def _warm(self) -> None:
        try:
            self._run()
        except Exception as error:
            log.exception("the kernels cannot be made ready")
            self.state, self.detail = "failed", f"the kernels cannot be made ready: {error}"
        else:
            # What is loaded by now stays: a collection that looks at all of it again stops every request for 0.1 s.
            gc.collect()
            gc.freeze()
            self.detail = f"ready after {time.monotonic() - self._started_s:.1f} s"
            self.state = "warm"
