"""How kernels are compiled, and where they are kept: one folder for each state of this package's source.

numba looks only at the file of the kernel itself when it decides whether its cache is fresh. Kernels
here call kernels in other files, so an edit there would leave stale code in use; hence the folder's
name holds a digest of every file of the package that has kernels or what is compiled into them.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from numba import config, njit

#: Compiles a function of numbers, arrays and plain tuples of them. A division by zero gives inf or NaN, which ends a
#: run as not converged; to check every division for it would make the code half as large again. Products and sums are
#: rounded once together: faster, no less exact, and NaN stays NaN. References are not counted, which took most of the
#: time of loops over a few dozen numbers: a kernel can therefore neither make arrays nor cut rows out of them.
kernel = njit(  # type: ignore[call-overload]
    cache=True, nogil=True, error_model="numpy", fastmath={"contract"}, _nrt=False, no_cfunc_wrapper=True
)
#: The same for what only kernels call: what would unpack Python's arrays is most of the work of compiling it.
inner_kernel = njit(  # type: ignore[call-overload]
    cache=True, nogil=True, error_model="numpy", fastmath={"contract"}, _nrt=False, no_cfunc_wrapper=True,
    no_cpython_wrapper=True,
)  # fmt: skip
#: A kernel written out where it is called: a loop over calls without branches then runs in vector registers, and a call
#: in a loop need not hand over every array of a tuple, of 200 to 300 words, each time.
inlined_kernel = njit(cache=True, nogil=True, error_model="numpy", inline="always")
#: As `kernel`, for sums whose terms may be added in any order: they run in vector registers, and NaN stays NaN.
reordering_kernel = njit(  # type: ignore[call-overload]
    cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract"}, _nrt=False, no_cfunc_wrapper=True
)

#: Files without kernels whose values or types are compiled into them.
_COMPILED_IN = ("constants.py", "mesh.py", "state.py")


def use_folder_for_this_source() -> None:
    """Point numba at the folder; to be called before any kernel is defined."""
    package = Path(__file__).parent
    digest = hashlib.sha256()
    for source in sorted(package.glob("*.py")):
        text = source.read_bytes()
        if b"kernel\n" in text or source.name in _COMPILED_IN:
            digest.update(text)
    vars(config)["CACHE_DIR"] = str(_base(package) / f"kernels-{digest.hexdigest()[:16]}")


def folder() -> Path:
    """Where the kernels of this source are kept."""
    return Path(vars(config)["CACHE_DIR"])


def _base(package: Path) -> Path:
    """NUMBA_CACHE_DIR if it is set, else beside the source if that can be written, else the user's cache."""
    named = os.environ.get("NUMBA_CACHE_DIR")
    if named:
        return Path(named)
    if os.access(package, os.W_OK):
        return package / "__pycache__"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "shotwright"
