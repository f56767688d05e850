"""The sample runs: named scenarios, written as log, truth and job file, and the truth read back."""

from __future__ import annotations

import json
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import JobError
from tcomp.simulation.chamber import Programme, ProgrammeLeg, ThermalPath, TwoNodeChamber
from tcomp.simulation.crystal import AtCut, Crystal, CrystalAgeing, TuningFork
from tcomp.simulation.instruments import SimulatedCounter, SimulatedSensor
from tcomp.simulation.logbook import Defects, LogStyle, Stretch
from tcomp.simulation.scenario import PlannedRun, Scenario, simulate, truth_of


def river_gauge() -> Scenario:
    """Timing board of a river gauge: 12.8 MHz, AT cut, two runs at different ramp rates.

    The angle of 2.6' puts both turning points, 0.35 and 52.41 degC, inside -20 ... 60 degC, over
    which the curve spans 7.7 ppm.  Invented for demonstration and recovery tests.
    """

    def there_and_back(rate: float) -> Programme:
        return Programme(-20.0, 15.0, (ProgrammeLeg(60.0, rate, 30.0), ProgrammeLeg(-20.0, rate, 30.0)))

    slow = Defects(
        gaps=(Stretch(6_000.0, 900.0), Stretch(21_400.0, 1_200.0)),
        stuck=(Stretch(9_900.0, 250.0),),
        missing_readings=4,
        missing_temperatures=3,
        repeated_stamps=3,
        backward_stamps=2,
    )
    fast = Defects(
        gaps=(Stretch(4_200.0, 600.0),),
        missing_readings=2,
        missing_temperatures=1,
        repeated_stamps=1,
        backward_stamps=1,
    )
    return Scenario(
        name="gauge07",
        crystal=Crystal(
            AtCut(angle_minutes=2.6),
            base_ppb=640.0,
            ageing=CrystalAgeing(linear_ppb_per_day=6.0),
            retrace_ppb=(0.0, 4.0),
        ),
        chamber=TwoNodeChamber(wall_s=300.0, air_s=70.0, back_coupling=0.3, ripple_c=0.05, ripple_period_s=310.0),
        board=ThermalPath((120.0,)),
        sensor=SimulatedSensor(ThermalPath((4.0,)), noise_c=0.02, quantum_c=0.0625),
        crystal_path=ThermalPath((169.0,)),
        counter=SimulatedCounter(12_800_000.0, gate_s=10.0, white_ppb=1.0, resolution_hz=1e-4, glitch_share=0.007),
        runs=(
            PlannedRun("2026-03-02_slow.csv", "2026-03-02T07:30:00Z", there_and_back(0.35), slow),
            PlannedRun("2026-03-03_fast.csv", "2026-03-03T08:10:00Z", there_and_back(0.9), fast),
        ),
        interval_s=10.0,
        seed=707,
        style=LogStyle(
            "utc",
            "board_c",
            "osc_hz",
            temperature_digits=4,
            reading_digits=4,
            remarks=(
                "river gauge 07, timing board: made by simulation, the truth is in truth.json",
                "osc_hz: mean over the 10 s before the stamp, against the trusted reference",
            ),
        ),
    )


def weather_station() -> Scenario:
    """Clock of a garden weather station: 32.768 kHz tuning fork, slowly up, down and up again.

    Invented for demonstration and recovery tests.
    """
    programme = Programme(
        -15.0, 20.0, (ProgrammeLeg(45.0, 0.12, 30.0), ProgrammeLeg(-15.0, 0.12, 30.0), ProgrammeLeg(45.0, 0.12, 20.0))
    )
    return Scenario(
        name="station_clock",
        crystal=Crystal(
            TuningFork(turnover_c=24.0, curvature_ppb_per_c2=-34.0),
            base_ppb=-12_000.0,
            ageing=CrystalAgeing(linear_ppb_per_day=-4.0),
        ),
        chamber=TwoNodeChamber(wall_s=600.0, air_s=120.0, back_coupling=0.2, ripple_c=0.05, ripple_period_s=540.0),
        board=ThermalPath((90.0,)),
        sensor=SimulatedSensor(ThermalPath((6.0,)), noise_c=0.03, quantum_c=0.1),
        crystal_path=ThermalPath((16.0,)),
        counter=SimulatedCounter(32_768.0, gate_s=20.0, white_ppb=30.0),
        runs=(
            PlannedRun(
                "three_sweeps.csv",
                "2026-03-02T18:00:00Z",
                programme,
                Defects(missing_readings=3, missing_temperatures=2),
            ),
        ),
        interval_s=20.0,
        seed=24,
        style=LogStyle(
            "date and time",
            "housing temperature degC",
            "clock offset ppm",
            "ppm",
            temperature_digits=1,
            reading_digits=3,
            time_format="%d.%m.%Y %H:%M:%S",
            separator=";",
            decimal=",",
        ),
    )


SAMPLES: dict[str, Callable[[], Scenario]] = {"river_gauge": river_gauge, "weather_station": weather_station}


def write_sample(name: str, folder: Path) -> list[Path]:
    """Write a sample's runs, its truth and its job file; the same name gives the same bytes.

    Parameters
    ----------
    name : str
        One of SAMPLES.
    folder : Path
        Folder to write to; created if it does not exist.

    Returns
    -------
    list of Path
        The files that were written, the job file first.

    Raises
    ------
    JobError
        There is no sample of this name.

    Examples
    --------
    >>> write_sample("tide_table", Path("."))
    Traceback (most recent call last):
    tcomp.errors.JobError: simulation: no sample is called 'tide_table'; choose river_gauge or weather_station
    """
    if name not in SAMPLES:
        raise JobError(f"simulation: no sample is called {name!r}; choose {' or '.join(sorted(SAMPLES))}")
    scenario = SAMPLES[name]()
    runs = simulate(scenario)
    template = resources.files("tcomp.simulation") / "samples" / f"{name}.toml"
    texts = {f"{scenario.name}.toml": template.read_text(encoding="utf-8")}
    for run in runs:
        texts[run.file] = scenario.style.text(run.log, scenario.counter.input_hz)
    texts["truth.json"] = json.dumps(truth_of(scenario, runs), indent=1, sort_keys=True) + "\n"
    folder.mkdir(parents=True, exist_ok=True)
    for file, text in texts.items():
        (folder / file).write_text(text, encoding="utf-8", newline="\n")
    return [folder / file for file in texts]


def true_offset_ppb(truth: Path, temperature_c: NDArray[np.float64]) -> NDArray[np.float64]:
    """True offset at crystal temperatures at the end of the last run, from the ``truth.json`` of a sample. [ppb]"""
    document = json.loads(truth.read_text(encoding="utf-8"))
    curve = document["curve"]
    powers = np.array([0.0, *curve["coefficients_ppb_per_c_k"]])
    at_c = np.append(np.asarray(temperature_c, dtype=np.float64), curve["reference_c"]) - curve["centre_c"]
    shape_ppb = np.polynomial.polynomial.polyval(at_c, powers)
    return np.asarray(document["base_at_end_ppb"] + shape_ppb[:-1] - shape_ppb[-1])
