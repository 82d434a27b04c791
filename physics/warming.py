"""Kernels made ready before anybody waits for them: compiled on the first run, loaded from disk on later ones."""

from __future__ import annotations

import fcntl
import hashlib
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from numba.core.registry import cpu_target

from physics.kernel_cache import folder
from physics.simulate import simulate_shot

#: How long one core of a server takes to compile the kernels (measured: 60 to 110 s).
USUAL_COMPILE_S = 80.0
# Any shot will do.
_SHOT = {
    "bank": {"capacitance_farad": 1e-4, "charge_voltage_v": 5000.0, "inductance_henry": 2e-7},
    "coil": {"turns_count": 6, "wire_diameter_m": 2e-3, "pitch_m": 2.2e-3},
    "gap_m": 1e-3,
    "workpiece": {
        "shape": "disc",
        "outer_diameter_m": 0.03,
        "thickness_m": 2e-3,
        "layers": [{"material": "copper"}],
    },
    "solver": {"fidelity": "screen"},
}


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
        _note(time.monotonic() - begun_s)
    say(f"the kernels are compiled, after {time.monotonic() - begun_s:.0f} s")


@contextmanager
def _alone() -> Iterator[None]:
    """One process at a time; its end, however it comes, lets the next one in."""
    try:
        folder().mkdir(parents=True, exist_ok=True)
        lock = (folder() / "lock").open("w", encoding="utf-8")
    except OSError:
        yield  # a folder that cannot be written holds no kernels to wait for
        return
    with lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _note(took_s: float) -> None:
    with suppress(OSError):
        _mark().write_text(f"{took_s:.1f}\n", encoding="utf-8")


def _mark() -> Path:
    """Written once all kernels are there, with the seconds it took; kernels are compiled for one kind of processor."""
    kind = repr(cpu_target.target_context.codegen().magic_tuple())
    return folder() / f"compiled-for-{hashlib.sha256(kind.encode()).hexdigest()[:12]}"
