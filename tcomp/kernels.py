"""Which arithmetic the numerical libraries take, chosen before they are loaded.

NumPy and its BLAS pick routines by the processor that they find, and these differ in the last digits: they add in another order,
or take another polynomial for an exponential.  So that the same input gives the same bytes on another machine, the routines of a
processor with AVX2 are taken wherever there is one (x86-64 since 2013 or 2015): a newer
one loses little by it, as the matrices here are narrow.  Elsewhere the libraries choose; what that changes stands in DEVELOPERS.md.
"""

from __future__ import annotations

import os
import platform
import sys
from pathlib import Path

SINCE_LEVELS = (2, 4)
"""NumPy since which its routines are named by levels of x86-64."""


def choose_common_kernels() -> None:
    """Ask for the routines of a processor with AVX2, if this is one, unless the environment asks for others."""
    if not has_avx2():
        return
    os.environ.setdefault("OPENBLAS_CORETYPE", "Haswell")
    if "NPY_DISABLE_CPU_FEATURES" not in os.environ:
        from importlib.metadata import version

        level = tuple(int(part) for part in version("numpy").split(".")[:2]) >= SINCE_LEVELS
        named = "X86_V3" if level else "SSSE3 SSE41 POPCNT SSE42 AVX F16C FMA3 AVX2"
        os.environ.setdefault("NPY_ENABLE_CPU_FEATURES", named)


def has_avx2(cpuinfo: Path = Path("/proc/cpuinfo")) -> bool:
    """Whether the processor has AVX2 and FMA; not asked where no cheap question is known."""
    if platform.machine().lower() not in {"x86_64", "amd64"}:
        return False
    if sys.platform == "win32":
        import ctypes

        return bool(ctypes.windll.kernel32.IsProcessorFeaturePresent(40))  # PF_AVX2_INSTRUCTIONS_AVAILABLE
    try:
        flags = next(
            line for line in cpuinfo.read_text(encoding="ascii", errors="replace").splitlines() if line[:5] == "flags"
        )
    except (OSError, StopIteration):
        return False
    return {"avx2", "fma"} <= set(flags.split())
