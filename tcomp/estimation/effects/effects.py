"""Effects composed: their columns side by side, found by name."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.effects.effect import Effect, Exposure, Mask
from tcomp.estimation.thermal_lag import SensorLog

Floats = NDArray[np.float64]
E = TypeVar("E", bound=Effect)


@dataclass(frozen=True)
class Layout:
    """Where the columns of a design are: effects, then the curve, then unknown starts, then nonlinear parameters."""

    effects: dict[str, slice]
    curve: slice
    starts: slice
    parameters: dict[str, slice]

    @property
    def linear(self) -> int:
        """Number of linear columns."""
        return int(self.curve.stop)

    @property
    def size(self) -> int:
        """Number of all columns."""
        return max(int(one.stop) for one in (self.starts, *self.parameters.values()))


@dataclass(frozen=True)
class Effects:
    """Some effects, in the order of their columns; names do not stand twice.

    Examples
    --------
    >>> from tcomp.estimation.effects import Ageing, Hysteresis
    >>> both = Effects((Ageing(), Hysteresis()))
    >>> both.without("ageing")
    Effects(members=(Hysteresis(plays_c=(), free=False),))
    >>> "ageing" in both, "ageing" in both.without("ageing")
    (True, False)
    """

    members: tuple[Effect, ...] = ()

    def __iter__(self) -> Iterator[Effect]:
        return iter(self.members)

    def __contains__(self, name: str) -> bool:
        return any(effect.name == name for effect in self.members)

    def get(self, name: str) -> Effect | None:
        """The effect of that name, if it is here."""
        return next((effect for effect in self.members if effect.name == name), None)

    def of(self, kind: type[E]) -> E:
        """The effect of that class.

        Raises
        ------
        KeyError
            There is none.
        """
        for effect in self.members:
            if isinstance(effect, kind):
                return effect
        raise KeyError(kind.name)

    def without(self, name: str) -> Effects:
        """All but the effect of that name."""
        return Effects(tuple(effect for effect in self.members if effect.name != name))

    def replaced(self, other: Effect) -> Effects:
        """With another form of an effect in its place, or behind the others where it is new."""
        if other.name not in self:
            return Effects((*self.members, other))
        return Effects(tuple(other if effect.name == other.name else effect for effect in self.members))

    # --- columns

    def layout(self, curve_size: int, starts: int) -> Layout:
        """The places of all columns."""
        effects, place = {}, 0
        for effect in self.members:
            effects[effect.name] = slice(place, place + effect.size)
            place += effect.size
        curve = slice(place, place + curve_size)
        place = curve.stop + starts
        parameters = {}
        for effect in self.members:
            parameters[effect.name] = slice(place, place + len(effect.parameters))
            place += len(effect.parameters)
        return Layout(effects, curve, slice(curve.stop, curve.stop + starts), parameters)

    def columns(self, exposure: Exposure, crystal_c: Floats) -> Floats:
        """Linear columns of all, shape (n, size)."""
        return np.hstack([np.empty((crystal_c.size, 0)), *(one.columns(exposure, crystal_c) for one in self.members)])

    def predicted_ppb(self, exposure: Exposure, crystal_c: Floats, coef: Mapping[str, Floats]) -> Floats:
        """What those that follow from the temperature alone add to the offset, shape (n,). [ppb]"""
        parts = (
            one.columns(exposure, crystal_c) @ coef[one.name] for one in self.members if one.predicted and one.size
        )
        return sum(parts, np.zeros(crystal_c.size))

    def stated_ppb(self, exposure: Exposure, crystal_c: Floats) -> Floats:
        """What they add by values that are known before the fit, shape (n,). [ppb]"""
        parts = (one.stated_ppb(exposure, crystal_c) for one in self.members)
        return sum(parts, np.zeros(crystal_c.size))

    def stated_errors_ppb(
        self, exposure: Exposure, sensor: SensorLog, crystal_c: Floats, slope_ppb_per_c: Floats
    ) -> Floats:
        """What independent standard errors of such values do to the offset, shape (n, errors). [ppb]"""
        parts = (one.stated_errors_ppb(exposure, sensor, crystal_c, slope_ppb_per_c) for one in self.members)
        return np.hstack([np.empty((crystal_c.size, 0)), *parts])

    @property
    def levels(self) -> int:
        """Levels of the offset that they add."""
        return sum(effect.levels for effect in self.members)

    # --- nonlinear parameters

    @property
    def values(self) -> tuple[float, ...]:
        """Of all free parameters."""
        return tuple(value for effect in self.members for value in effect.values)

    def with_values(self, values: Sequence[float]) -> Effects:
        """With other values of the free parameters."""
        return self._each(values, lambda effect, own: effect.with_values(own))

    def stepped(self, steps: Sequence[float]) -> Effects:
        """After a Gauss-Newton step."""
        return self._each(steps, lambda effect, own: effect.stepped(own))

    def _each(self, values: Sequence[float], change: Callable[[Effect, Sequence[float]], Effect]) -> Effects:
        changed, place = [], 0
        for effect in self.members:
            count = len(effect.values)
            changed.append(change(effect, values[place : place + count]) if count else effect)
            place += count
        return Effects(tuple(changed))

    def held(self) -> Effects:
        """With all parameters held."""
        return Effects(tuple(effect.held() for effect in self.members))

    def ordered(self) -> Effects:
        """With like parameters in their usual order."""
        return Effects(tuple(effect.ordered() for effect in self.members))

    # --- the crystal's temperature

    @property
    def moving(self) -> Effects:
        """Those that move the temperature, held: what the temperature depends on, and nothing else."""
        return Effects(tuple(effect.held() for effect in self.members if effect.moves_temperature))

    @property
    def time_constants_s(self) -> tuple[float, ...]:
        """First-order time constants from sensor to crystal. [s]"""
        return tuple(constant_s for effect in self.members for constant_s in effect.time_constants_s)

    def crystal_c(self, sensor: SensorLog) -> Floats:
        """Temperature of the crystal, shape (n,). [degC]"""
        temperature_c = sensor.temperature_c
        for effect in self.members:
            temperature_c = effect.crystal_c(sensor, temperature_c)
        return temperature_c

    def crystal_errors_c(self, sensor: SensorLog) -> Floats | None:
        """What a coarse sensor leaves unknown of it, shape (n, draws); None: nothing to speak of. [degC]"""
        if sensor.errors is None:
            return None
        errors_c = sensor.errors.draws_c
        for effect in self.members:
            errors_c = effect.crystal_errors_c(sensor, errors_c)
        return errors_c

    def start_columns(self, sensor: SensorLog) -> Floats:
        """Effect of one degree of error in each unknown start on the crystal's temperature, shape (n, starts). [1]"""
        columns = [one for effect in self.members if (one := effect.start_columns(sensor)).shape[1]]
        if not columns:
            return np.empty((sensor.time_s.size, 0))
        return columns[0] if len(columns) == 1 else np.hstack(columns)

    def settled(self, sensor: SensorLog) -> Mask:
        """Samples far enough from a start to be used, shape (n,)."""
        settled = np.ones(sensor.time_s.size, dtype=np.bool_)
        for effect in self.members:
            settled = settled & effect.settled(sensor)
        return settled

    @property
    def degenerate(self) -> bool:
        """Whether parameters of one cancel each other."""
        return any(effect.degenerate for effect in self.members)
