"""Held-out error of a whole fit, to compare forms of effects by."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.validation import fold_mse
from tcomp.model.basis import ChebyshevBasis

if TYPE_CHECKING:
    from tcomp.curve.joint_fit import JointFit
    from tcomp.curve.samples import Samples


def held_out_mse(fit: JointFit, samples: Samples) -> NDArray[np.float64]:
    """Weighted mean square per held-out sweep, with all effects taken off as the fit has them. [1]

    The curve is learnt anew without each sweep, at the fit's own degree; the effects come from all
    sweeps.  Weights are the fit's, so gross errors do not decide.
    """
    used = fit.used
    bare_ppb = (fit.residual_ppb + fit.model.basis.values(fit.crystal_c) @ fit.coef)[used]
    crystal_c = fit.crystal_c[used]
    basis = ChebyshevBasis(fit.model.basis.size - 1, float(crystal_c.min()), float(crystal_c.max()))
    return fold_mse(crystal_c, basis.values(crystal_c), bare_ppb, samples.sweep[used], fit.weight[used])
