"""A lot on one core, on two, and on two workers of a Dask cluster, taken in turn; what is sent for each unit.

    python benchmarks/lot.py [UNITS [ROUNDS]]
    python benchmarks/lot.py stages

Invented boards of 3000 samples (12.8 MHz, AT cut; angle, inflection, base and lag vary).  What is made of each is the curve with
its validation and the table of form "steps".  On a machine that others use too the clock tells little: the time that a thread
was ready and had no core is counted by the kernel (Linux), and taken off.
"""

from __future__ import annotations

import os
import pickle
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from distributed import LocalCluster

from tcomp import workflow
from tcomp.job import Job
from tcomp.lot.lot import tasks_of
from tcomp.lot.lot_file import read_lot
from tcomp.lot.unit_work import Outcome, Task, make_unit
from tcomp.lot.units import units_of
from tcomp.lot.workers import outcomes
from tcomp.results import Folder
from tcomp.simulation.cases import plain
from tcomp.simulation.chamber import Programme, ProgrammeLeg, ThermalPath
from tcomp.simulation.crystal import AtCut, Crystal
from tcomp.simulation.logbook import LogStyle
from tcomp.simulation.scenario import PlannedRun, simulate

LOT = """
[lot]
make = []
[units]
files = "gauge{unit}.csv"
[oscillator]
name = "gauge {unit}"
nominal_hz = 12_800_000
cut = "AT"
[reference]
uncertainty_ppb = 0.5
[[run]]
file = "{file}"
time = "utc"
temperature = "board_c"
frequency = "osc_hz"
[sensor]
resolution_c = 0.0625
[table]
form = "steps"
max_error_ppb = 5
"""
SWEEPS = Programme(-20.0, 20.0, (ProgrammeLeg(60.0, 0.38, 30.0), ProgrammeLeg(-20.0, 0.38, 29.0)))


def write_logs(folder: Path, units: int) -> Path:
    """The boards' logs, and the lot file beside them."""
    rng = np.random.default_rng(1)
    for number in range(units):
        cut = AtCut(angle_minutes=rng.normal(2.6, 0.3), reference_c=rng.normal(25.0, 0.3))
        scenario = replace(
            plain(number),
            crystal=Crystal(cut, base_ppb=rng.normal(600.0, 150.0)),
            crystal_path=ThermalPath((rng.normal(170.0, 8.0),)),
            runs=(PlannedRun("up_down.csv", "2026-03-02T07:30:00Z", SWEEPS),),
        )
        log = simulate(scenario)[0].log.iloc[:3000]
        text = LogStyle("utc", "board_c", "osc_hz").text(log, scenario.counter.input_hz)
        (folder / f"gauge{number:04d}.csv").write_text(text)
    (folder / "lot.toml").write_text(LOT)
    return folder / "lot.toml"


def tasks(lot: Path) -> list[Task]:
    """All units, into a folder that holds nothing yet."""
    found = read_lot(lot)
    return tasks_of(found, units_of(found), Path(tempfile.mkdtemp(dir=lot.parent)))


def threads() -> dict[str, tuple[float, float]]:
    """Time that each thread of this process and those below it has run, and waited for a core that others had. [s]

    From the kernel's own count (Linux, /proc/PID/task/TID/schedstat).
    """
    parents = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            parents[stat.parent.name] = stat.read_text().rsplit(")", 1)[1].split()[1]
    own, count = {str(os.getpid())}, 0
    while len(own) > count:
        count = len(own)
        own |= {process for process, parent in parents.items() if parent in own}
    found = {}
    for process in own:
        for one in Path("/proc", process, "task").glob("*/schedstat"):
            with suppress(OSError):
                run, waited, _ = one.read_text().split()
                found[one.parent.name] = (int(run) / 1e9, int(waited) / 1e9)
    return found


def timed(lot: Path, jobs: int, scheduler: str | None = None) -> tuple[float, float, float]:
    """Time on the clock; the same less what the busiest threads waited for cores; their time on them. [s]"""
    list(outcomes(tasks(lot)[: 2 * jobs], jobs, scheduler))  # Workers are started before.
    wanted, before, begun = tasks(lot), threads(), time.perf_counter()
    done = list(outcomes(wanted, jobs, scheduler))
    took, after = time.perf_counter() - begun, threads()
    assert len(done) == len(wanted)
    assert all(one.made for one in done)
    spent = sorted(
        (run - before.get(name, (0, 0))[0], waited - before.get(name, (0, 0))[1])
        for name, (run, waited) in after.items()
    )[-jobs:]
    return took, took - sum(waited for _, waited in spent) / jobs, sum(run for run, _ in spent)


def apart(lot: Path) -> float:
    """The same of two processes that know nothing of each other, with half of the units each. [s]"""
    context, wanted = get_context("spawn"), tasks(lot)
    together, results = context.Barrier(2), context.SimpleQueue()
    halves = [context.Process(target=half, args=(wanted[start::2], together, results)) for start in (0, 1)]
    for process in halves:
        process.start()
    took = [results.get() for _ in halves]
    for process in halves:
        process.join()
    return max(took)


def half(wanted: list[Task], together: Any, results: Any) -> None:
    """Every second unit, in a process of its own, begun together with the others."""
    make_unit(replace(wanted[0], into=wanted[0].into / "before"))
    together.wait()
    before, begun = threads(), time.perf_counter()
    assert all(make_unit(task).made for task in wanted)
    took, after, own = time.perf_counter() - begun, threads(), str(os.getpid())
    results.put(took - (after[own][1] - before[own][1]))


def said(ratios: np.ndarray) -> str:
    """Median, and from least to most."""
    return f"{np.median(ratios):.2f} ({ratios.min():.2f} to {ratios.max():.2f})"


def seconds(values: Sequence[float]) -> str:
    """Times beside each other."""
    return " / ".join(f"{value:.1f}" for value in values) + " s"


def stages() -> None:
    """What each stage of a unit takes on a core, the processes that it calls included: medians of five units. [s]"""
    with tempfile.TemporaryDirectory() as folder:
        template = read_lot(write_logs(Path(folder), 6)).template
        needing = replace(template, text=template.text + "[use]\nneeded_ppb = 20\n")
        any_form = replace(needing, text=needing.text.replace('"steps"', '"auto"'))
        for number in range(6):
            file = f"gauge{number:04d}.csv"
            taken = [
                *stages_of(needing.job_of("x", file), Path(folder, "x")),
                *stages_of(any_form.job_of("x", file), Path(folder, "y")),
            ]
            print(
                " ".join(f"{name} {value:.2f}" for name, value in taken)
                + (" (with all imports)" if number == 0 else "")
            )


def stages_of(job: Job, into: Path) -> Iterator[tuple[str, float]]:
    """Each stage of a build by name, with what it took."""
    folder = Folder(into)
    spent = sum(os.times()[:4])
    for name, stage in (
        ("inspect", lambda: workflow.inspect_runs(job, folder, quiet)),
        ("fit", lambda: workflow.fit(job, folder.read_runs(), folder, quiet)),
        (f"table {job.table.form}", lambda: workflow.design(job, folder.read_curve(), folder, quiet)),
        ("C", lambda: workflow.export(job, folder.read_curve(), folder.read_table(), folder, quiet)),
        ("proof", lambda: workflow.prove_sources(job, folder.read_table(), folder, quiet)),
        ("verdict", lambda: workflow.judge(job, folder, quiet)),
        ("report", lambda: workflow.report(job, folder, quiet)),
    ):
        stage()
        now = sum(os.times()[:4])
        yield name, now - spent
        spent = now


def quiet(_: str) -> None:
    """Say nothing."""


def main() -> None:
    """Print a line per round, then the medians."""
    if sys.argv[1:] == ["stages"]:
        stages()
        return
    units = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    with (
        tempfile.TemporaryDirectory() as folder,
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address="127.0.0.1:0") as workers,
    ):
        lot = write_logs(Path(folder), units)
        undisturbed, ran = [], []
        for number in range(rounds):
            three = [timed(lot, 1), timed(lot, 2), timed(lot, 2, workers.scheduler_address)]
            clock, alone, busy = zip(*three, strict=True)
            undisturbed.append((*alone, apart(lot)))
            ran.append(busy[0] / units)
            print(
                f"round {number + 1}, {units} units: 1 core, 2 cores, 2 Dask workers on the clock {seconds(clock)}; less waiting "
                f"for cores, and of two processes apart {seconds(undisturbed[-1])}; on cores {seconds(busy)}",
                flush=True,
            )
        one, two, cluster, both = np.array(undisturbed).T
        print(f"2 cores against 1: {said(one / two)} times faster; two processes apart: {said(one / both)}")
        print(f"Dask's time against joblib's: {said(cluster / two)}")
        print(f"per unit on 1 core: {np.median(ran):.3f} s; load of the machine: {os.getloadavg()[0]:.1f}")
        sent, back = pickle.dumps(tasks(lot)[0]), pickle.dumps(Outcome("0000", made=True))
        print(f"sent per unit: {len(sent)} bytes, of which the job's text is {len(LOT)}; sent back: {len(back)} bytes")


if __name__ == "__main__":
    main()
