"""The crystal's own forms as scikit-learn estimators: polynomials whose parameters mean something."""

from __future__ import annotations

from sklearn.utils.validation import check_is_fitted

from tcomp.model.parameters import Parameter, cubic_parameters, parabola_parameters
from tcomp.model.polynomial import PolynomialCurve


class CubicCrystal(PolynomialCurve):
    """Cubic about the inflection temperature: AT and SC cuts.

    Attributes
    ----------
    parameters_ : tuple of Parameter
        Inflection temperature, slope there, cubic coefficient, offset there.

    Examples
    --------
    >>> import numpy as np
    >>> T = np.linspace(-20.0, 60.0, 30)
    >>> y = 100 - 300 * (T - 26.4) + 0.1086 * (T - 26.4) ** 3
    >>> [round(p.value, 4) for p in CubicCrystal().fit(T[:, None], y).parameters_]
    [26.4, -300.0, 0.1086, 100.0]
    """

    def __init__(self) -> None:
        pass

    def _degree(self) -> int:
        return 3

    @property
    def parameters_(self) -> tuple[Parameter, ...]:
        """Physical parameters with their uncertainty."""
        check_is_fitted(self)
        return cubic_parameters(self.basis_, self.coef_, self.covariance_)


class ParabolaCrystal(PolynomialCurve):
    """Parabola about the turnover temperature: tuning forks and BT cuts.

    Attributes
    ----------
    parameters_ : tuple of Parameter
        Turnover temperature, curvature, offset at the turnover.

    Examples
    --------
    >>> import numpy as np
    >>> T = np.linspace(-10.0, 50.0, 30)
    >>> fork = ParabolaCrystal().fit(T[:, None], -12000 - 34 * (T - 24) ** 2)
    >>> [round(p.value, 4) for p in fork.parameters_]
    [24.0, -34.0, -12000.0]
    """

    def __init__(self) -> None:
        pass

    def _degree(self) -> int:
        return 2

    @property
    def parameters_(self) -> tuple[Parameter, ...]:
        """Physical parameters with their uncertainty."""
        check_is_fitted(self)
        return parabola_parameters(self.basis_, self.coef_, self.covariance_)
