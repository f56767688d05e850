"""Which arithmetic the numerical libraries take, chosen before they are loaded.

NumPy and its BLAS pick routines by the processor that they find, and these differ in the last digits: they add in another order,
or take another polynomial for an exponential.  So that the same input gives the same bytes on another machine, the routines of a
processor with AVX2 are taken wherever there is one (x86-64 since 2013 or 2015): a newer
one loses little by it, as the matrices here are narrow.  Elsewhere the libraries choose; what that changes stands below.

`tcomp build` gives the same bytes whatever the locale, time zone, number of threads, hash seed, folder and Python (3.11 to 3.13
compared), with the same versions of the libraries and the same compiler, which `proof.json`, `summary.json` and the report name.
NumPy and OpenBLAS add in another order on another processor; so
`kernels.py` makes a command take the routines of a processor with AVX2 wherever there is one, unless the environment asks for
others. A script in Python may call it before NumPy is loaded. The workers of a cluster are started by others: each compares
`arithmetic_digest` with that of the machine that started the lot, and `lot` names those that differ.

What is not the same: on a processor without AVX2 or that is no x86-64, and with other versions of the libraries, the last digits of
floats differ, and with them `curve.json`, `fitted.parquet`, `validation.csv`, `verdict.json`, `summary.json` and `report.html`.
On the three samples figures differed by at most 3e-9 of themselves (OpenBLAS kernels for SSE, SSE4.2, AVX, AVX2 and
AVX-512; NumPy 1.26 and 2.5), and the entries of the table and the C were the same; `rms_error_ppb` may differ in its ninth digit.
That is no proof for any input: an entry is rounded, and a curve near the border between two integers may take either. Each is then
within the same stated error. `tests/test_reproducible.py` and `.ci/newest` hold what is promised here.
"""

from __future__ import annotations

import os
import platform
import sys
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SINCE_LEVELS = (2, 4)
"""NumPy since which its routines are named by levels of x86-64."""


def choose_common_kernels() -> None:
    """Ask for the routines of a processor with AVX2, if this is one, unless the environment asks for others."""
    for name, value in kernel_settings().items():
        if name != "NPY_ENABLE_CPU_FEATURES" or "NPY_DISABLE_CPU_FEATURES" not in os.environ:
            os.environ.setdefault(name, value)


def kernel_settings() -> dict[str, str]:
    """The environment that asks for the routines of a processor with AVX2; empty where this is none."""
    if not has_avx2():
        return {}
    from importlib.metadata import version

    level = tuple(int(part) for part in version("numpy").split(".")[:2]) >= SINCE_LEVELS
    named = "X86_V3" if level else "SSSE3 SSE41 POPCNT SSE42 AVX F16C FMA3 AVX2"
    return {"OPENBLAS_CORETYPE": "Haswell", "NPY_ENABLE_CPU_FEATURES": named}


@cache
def arithmetic_digest() -> str:
    """SHA-256 of what a few sums, products, functions and solutions round to here: the same where results are the same bytes.

    It is no proof that all routines agree, but other routines of NumPy or its BLAS show in it.
    """
    import hashlib

    import numpy as np
    import scipy.linalg  # noqa: F401  # only threads of what is loaded can be held
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]  # comes with scikit-learn

    with threadpool_limits(1):
        return hashlib.sha256(b"".join(np.ascontiguousarray(one).tobytes() for one in _computed())).hexdigest()


def _computed() -> tuple[NDArray[np.floating[Any]], ...]:
    import numpy as np

    at = np.linspace(0.1, 3.0, 1999)
    columns = np.polynomial.chebyshev.chebvander(at - 1.5, 9) * np.sqrt(at)[:, None]
    gram = columns.T @ columns
    return (
        np.exp(at), np.log(at), np.sin(at), at**1.3, np.array([at.sum(), np.log1p(at).mean(), at @ np.cos(at)]), gram,
        np.linalg.solve(gram, columns.T @ np.exp(-at)), np.linalg.lstsq(columns, np.tanh(at), rcond=None)[0],
        np.linalg.eigvalsh(gram), np.linalg.cholesky(gram + np.eye(10)),
    )  # fmt: skip


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
