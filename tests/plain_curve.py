"""A curve of known numbers, without any fit: invented."""

from __future__ import annotations

from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.curve import Curve, HeldOut
from tcomp.estimation.effects import Finding, Status

BASE_TIME_S = 1_772_582_400.0  # 2026-03-04T00:00:00Z


NO_RESPONSE = Finding("response", "ppb/(degC/min)", Status.OFF)


def plain_curve(
    *,
    base_ppb: float = 1000.0,
    slope_ppb_per_c: float = 0.0,
    u_ppb: float = 0.0,
    slope_u_ppb_per_c: float = 0.0,
    lag_s: float = 0.0,
    lag_u_s: float = float("nan"),
    ageing_ppb_per_day: float = 0.0,
    ageing_u: float = 0.1,
    base_time_s: float | None = BASE_TIME_S,
) -> Curve:
    """A straight line from 0 to 50 degC, base at 25 degC."""
    half_range_c = 25.0
    lag = Finding("lag", "s", Status.FOUND if lag_s else Status.NONE_SEEN, lag_s, lag_u_s)
    ageing = Finding(
        "ageing", "ppb/day", Status.FOUND if ageing_ppb_per_day else Status.NONE_SEEN, ageing_ppb_per_day, ageing_u
    )
    return Curve(
        model="poly1", words="straight line", basis=ChebyshevBasis(1, 0.0, 50.0),
        coef=(base_ppb, half_range_c * slope_ppb_per_c),
        covariance=((u_ppb**2, 0.0), (0.0, (half_range_c * slope_u_ppb_per_c) ** 2)),
        low_c=0.0, high_c=50.0, reference_c=25.0, reference_u_ppb=0.0, residual_sd_ppb=1.0, residual_max_ppb=3.0,
        held_out=HeldOut("leave one sweep out", 1.0, 2.0, 3.0, 0.0), samples=100, effective_samples=50.0,
        effects=(lag, ageing, Finding("hysteresis", "ppb", Status.OFF), NO_RESPONSE), jumps=(), dips=(), lack_of_fit="",
        parameters=(), notes=(), remarks=(),
        base_time_s=base_time_s, span_days=2.0,
    )  # fmt: skip
