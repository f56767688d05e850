"""Whether what remains is what was promised, for samples that resemble their neighbours.

RMS: the mean square over the promised one is compared with the 97.5 % point of an F distribution
(of chi-squared, over its degrees of freedom, where the promise is a bound and not an estimate),
with effective samples for degrees of freedom: the ratio of two estimates of one variance is so
distributed (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.8 and 1.3.5.9; from memory).
95 %: the share of samples beyond the promised 95 % may exceed 5 % by twice its binomial standard
deviation.  A promise is an average over its range, so of a run over less than half of the range
only a gross failure can be told: an RMS beyond what was promised as the largest error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.decision.promise import Promise, root_mean_square

Floats = NDArray[np.float64]
Status = Literal["holds", "does not hold", "too short to tell"]

ONE_SIDED = 0.975
"""k = 2, common practice, no source."""
TELLING = 2.0
"""A run that cannot exclude an RMS of twice the promise does not tell that the promise holds."""
COVERED = 0.5
"""Share of the range below which noise or steps that are larger in one part of it could decide."""


@dataclass(frozen=True)
class Judgement:
    """The figures that decide. [ppb]"""

    promise: Promise
    limit_rms_ppb: float
    """RMS beyond which the promise does not hold: the promised one, widened for the number of effective samples."""
    upper_rms_ppb: float
    """RMS that the run still allows, at 97.5 %."""
    beyond_share: float
    """Share of the samples beyond the promised 95 %. [1]"""
    limit_share: float
    status: Status


def judge(
    error_ppb: Floats, promise: Promise, effective: float, promise_effective: float, covered: float = 1.0
) -> Judgement:
    """Hold what remains against a promise.

    Parameters
    ----------
    error_ppb : ndarray of shape (n,)
        What remains. [ppb]
    effective, promise_effective : float
        Independent samples that would tell as much as the run's, and as those that the promise comes from
        (infinite for a bound).
    covered : float, default=1.0
        Share of the promised range that the run covers. [1]

    Examples
    --------
    >>> from tcomp.decision.promise import bounded_share
    >>> promise = Promise((bounded_share("invented", 2.0),))
    >>> error_ppb = np.tile([1.0, -1.0], 50)
    >>> [judge(scale * error_ppb, promise, 40.0, np.inf).status for scale in (1.0, 5.0)]
    ['holds', 'does not hold']
    >>> judge(error_ppb, promise, 2.0, np.inf).status
    'too short to tell'
    """
    from scipy.stats import chi2, f

    rms_ppb = root_mean_square(error_ppb)
    widest = f.ppf(ONE_SIDED, effective, promise_effective) if math.isfinite(promise_effective) else None
    ratio = float(widest if widest is not None else chi2.ppf(ONE_SIDED, effective) / effective)
    limit_rms_ppb = promise.rms_ppb * math.sqrt(ratio)
    upper_rms_ppb = rms_ppb * math.sqrt(effective / float(chi2.ppf(1 - ONE_SIDED, effective)))
    beyond_share = float(np.mean(np.abs(error_ppb) > promise.p95_ppb))
    limit_share = 0.05 + 2 * math.sqrt(0.05 * 0.95 / effective)
    failing = rms_ppb > limit_rms_ppb or beyond_share > limit_share
    gross = failing and rms_ppb > promise.max_ppb
    told = covered >= COVERED and (failing or upper_rms_ppb <= TELLING * promise.rms_ppb)
    status: Status = "too short to tell"
    if told or gross:
        status = "does not hold" if failing else "holds"
    return Judgement(promise, limit_rms_ppb, upper_rms_ppb, beyond_share, limit_share, status)
