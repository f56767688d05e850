"""What a filter has to keep to follow the effects of a curve while the temperature changes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class TimeConstant:
    """A first-order lag between sensor and crystal; negative: the sensor lags the crystal. [s]"""

    lag_s: float


@dataclass(frozen=True, kw_only=True)
class PlayLoop:
    """A loop between heating and cooling: its height [ppb], and how far a reversal takes to come through. [degC]"""

    height_ppb: float
    play_c: float


FollowTerm = TimeConstant | PlayLoop
