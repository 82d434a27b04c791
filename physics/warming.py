"""Kernels made ready before anybody waits for them: compiled on the first run, loaded from disk on later ones."""

from __future__ import annotations

import fcntl
import hashlib
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from numba.core.registry import cpu_target

from physics.example import EXAMPLE
from physics.kernel_cache import folder
from physics.simulate import simulate_shot

#: How long one core of a server takes to compile the kernels (measured: 40 to 170 s).
USUAL_COMPILE_S = 100.0
# Any shot will do.
_SHOT = {**EXAMPLE, "solver": {"fidelity": "screen"}}


def is_compiled() -> bool:
    """True once the kernels of this source have been compiled for this processor."""
    return _mark().exists()


def warm_up(say: Callable[[str], None] = lambda _: None) -> None:
    """Compile the kernels or load them; `say` is told before they are compiled, and afterwards how long it took.

    Of processes that start at the same time one compiles, and the others wait for it.
    """
    if is_compiled():
        simulate_shot(_SHOT)
        return
    say(f"compiling the kernels, which only the first run does; it takes about {USUAL_COMPILE_S:.0f} s")
    begun_s = time.monotonic()
    with _alone():
        simulate_shot(_SHOT)
        with suppress(OSError):  # a folder that cannot be written holds no kernels either
            _mark().touch()
    say(f"the kernels are compiled, after {time.monotonic() - begun_s:.0f} s")


@contextmanager
def _alone() -> Iterator[None]:
    """One process at a time; its end, however it comes, lets the next one in."""
    with ExitStack() as stack:
        with suppress(OSError):  # where nothing can be written or locked, each compiles for itself
            folder().mkdir(parents=True, exist_ok=True)
            lock = stack.enter_context((folder() / "lock").open("w", encoding="utf-8"))
            fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _mark() -> Path:
    """Made once all kernels are there; they are compiled for one kind of processor."""
    kind = repr(cpu_target.target_context.codegen().magic_tuple())
    return folder() / f"compiled-for-{hashlib.sha256(kind.encode()).hexdigest()[:12]}"
