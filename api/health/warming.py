"""Compiles (first run) or loads (later runs) the physics kernels in the background, so that no request waits."""

from __future__ import annotations

import gc
import logging
import threading
import time
from typing import Literal

from physics.warming import warm_up

log = logging.getLogger("shotwright.api")


class Warming:
    """One shot in the background; `state` tells how it stands."""

    def __init__(self) -> None:
        self._started_s = time.monotonic()
        self.state: Literal["warming", "warm", "failed"] = "warming"
        self.detail = "loading the kernels"

    def start(self) -> None:
        """Return at once; the run goes on in a thread that does not hold up the program's end."""
        threading.Thread(target=self._warm, name="warming", daemon=True).start()

    def _say(self, text: str) -> None:
        self.detail = text
        log.info(text)

    def _warm(self) -> None:
        try:
            warm_up(self._say)
        except Exception as error:
            log.exception("the kernels cannot be made ready")
            self.state, self.detail = "failed", f"the kernels cannot be made ready: {error}"
        else:
            # What is loaded by now stays: a collection that looks at all of it again stops every request for 0.1 s.
            gc.collect()
            gc.freeze()
            self.detail = f"ready after {time.monotonic() - self._started_s:.1f} s"
            self.state = "warm"
