"""What an oscillator takes from the instrument, and whether the instrument can give it."""

from __future__ import annotations

from dataclasses import dataclass

from tcomp.job import Job, Oven, Supply
from tcomp.units import DAYS_PER_YEAR


@dataclass(frozen=True)
class Power:
    """Watts are those taken from the rail, what is lost in the regulator included.

    ``fits`` is None where the job does not say what the supply can give; ``remarks`` say why it does not fit, or what it
    costs to make it fit.
    """

    peak_watts: float
    steady_watts: float
    lost_watts: float
    lost_switching_watts: float
    warmer_c: float | None
    kwh_per_year: float
    fits: bool | None
    remarks: tuple[str, ...] = ()


def steady_power(job: Job, watts: float) -> Power:
    """What takes the same always while the instrument is on.

    >>> from tcomp.job import read_job_text
    >>> job = read_job_text('[oscillator]\\nname = "gauge 07"\\n[use]\\nhours_on_per_day = 12', runs_needed=False)
    >>> round(steady_power(job, 1.0).kwh_per_year, 2)
    4.38
    """
    warmer_c = watts * job.supply.case_c_per_w if job.supply.case_c_per_w is not None else None
    return Power(watts, watts, 0.0, 0.0, warmer_c, _kwh(watts, job.use.hours_on_per_day), True)


def oven_power(job: Job, oven: Oven, peak_watts: float, steady_watts: float) -> Power:
    """What an oven takes from the rail, through a regulator if its volts are fewer.

    A linear regulator passes the oven's current on and turns (V_in - V_out) I into heat; a switching one loses 1 - efficiency
    of what it takes.
    """
    supply, volts = job.supply, oven.volts if oven.volts is not None else job.supply.volts
    peak, steady = (_from_rail(supply, volts, watts, supply.regulator) for watts in (peak_watts, steady_watts))
    switching = _from_rail(supply, volts, steady_watts, "switching")
    remarks, fits = _verdict(job, oven, volts, peak, steady)
    if supply.regulator == "linear" and volts < supply.volts:
        remarks.append(
            f"a linear regulator from {supply.volts:g} to {volts:g} V turns {steady - steady_watts:.2g} W of "
            f"{steady:.2g} W into heat; a switching one would lose {switching - steady_watts:.2g} W"
        )
    return Power(
        peak_watts=peak,
        steady_watts=steady,
        lost_watts=steady - steady_watts,
        lost_switching_watts=switching - steady_watts,
        warmer_c=steady * supply.case_c_per_w if supply.case_c_per_w is not None else None,
        kwh_per_year=_kwh(steady, 24.0 if oven.always_powered else job.use.hours_on_per_day),
        fits=fits,
        remarks=tuple(remarks),
    )


def _from_rail(supply: Supply, volts: float, watts: float, regulator: str) -> float:
    """Watts that the rail gives for so many watts at the oven's volts."""
    if volts >= supply.volts:
        return watts
    return watts * supply.volts / volts if regulator == "linear" else watts / supply.efficiency


def _verdict(
    job: Job, oven: Oven, volts: float, peak_watts: float, steady_watts: float
) -> tuple[list[str], bool | None]:
    """Why it does not fit, and whether it does."""
    supply, against = job.supply, []
    if volts > supply.volts:
        against.append(f"it needs {volts:g} V and the rail has {supply.volts:g} V")
    if oven.always_powered and not supply.always_on and job.use.hours_on_per_day < 24:
        against.append("it is to stay powered, and no rail stays on while the instrument is off ([supply] always_on)")
    if supply.peak_watts is not None and peak_watts > supply.peak_watts:
        against.append(f"warming up it takes {peak_watts:.3g} W and the supply can give {supply.peak_watts:g} W")
    if supply.steady_watts is not None and steady_watts > supply.steady_watts:
        against.append(f"hot it takes {steady_watts:.3g} W and the supply can give {supply.steady_watts:g} W for good")
    told = supply.peak_watts is not None and supply.steady_watts is not None
    if not told:
        missing = [name for name in ("peak_watts", "steady_watts") if getattr(supply, name) is None]
        remark = f"whether the supply can give {peak_watts:.3g} W, then {steady_watts:.3g} W, is not told: [supply] "
        return [*against, remark + " and ".join(missing)], False if against else None
    return against, not against


def _kwh(watts: float, hours_per_day: float) -> float:
    return watts * hours_per_day * DAYS_PER_YEAR / 1000
