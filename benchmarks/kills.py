"""Commands that are killed at random times: every file is whole, old or new, and the same command again completes.

    python benchmarks/kills.py build 100 [SEED]
    python benchmarks/kills.py interrupt 50 [SEED]
    python benchmarks/kills.py retrim 40 [SEED]
    python benchmarks/kills.py lot 24 [SEED]
    python benchmarks/kills.py stuck-view 12 [SEED]
    python benchmarks/kills.py unplug 12 [SEED]
    python benchmarks/kills.py runaway 12 [SEED]

Times are drawn evenly over the whole duration of the command, from a seeded generator; what falls at which place still
depends on the machine.  Two jobs take turns in one folder, so that files of both, and what a kill left, are met by the
next.  ``interrupt`` is Ctrl-C: it has to say one sentence and to leave with 130.

The last three drive a chamber by ``tcomp log`` over pseudo-terminals, and nobody reads what it prints: the sensor is lost
while the view is stuck, the controller is unplugged, or the controller confirms everything and heats on.

What does not hold ends in an ``AssertionError``.  All is invented: the logs are those of the tests.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # a fork takes no threads along
sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from bench_chamber import SENSOR_LOST_S, Bench, until
from hostile_runs import job_of, sweep_log
from lots import JOB, LOT, log_text

ROUNDS = 5
"""Kills between two undisturbed runs."""
GONE_S = 30.0
"""Within which the workers of a killed lot must be gone: they look five times a second, once they have begun. [s]"""
FIT = '[fit]\nmodels = ["poly3"]\nlag = "none"\nageing = "none"\nhysteresis = "none"\n'
EASY = FIT + '[table]\nform = "steps"\nmax_error_ppb = {}\n[use]\nneeded_ppb = 100.0\n'


def contents(folder: Path) -> dict[str, bytes]:
    """What a folder shows: hidden files are nobody's results."""
    shown = (path for path in folder.rglob("*") if path.is_file() and "/." not in str(path.relative_to(folder.parent)))
    return {str(path.relative_to(folder)): path.read_bytes() for path in shown} if folder.exists() else {}


def begun(*words: object, said: Path) -> int:
    """A process that runs a command with the libraries that are loaded here; its number."""
    child = os.fork()
    if child:
        return child
    code: object = 1
    try:
        os.setsid()
        signal.signal(signal.SIGINT, signal.default_int_handler)  # which a shell's & leaves ignored
        for stream in (1, 2):
            os.dup2(os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), stream)
        from tcomp.__main__ import run

        sys.argv = ["tcomp", *map(str, words)]
        run()
    except SystemExit as end:
        code = end.code or 0
    finally:
        sys.stderr.flush()
        os._exit(code if isinstance(code, int) else 1)


def ended(child: int) -> int:
    """Exit code of a process, or the negative number of the signal that ended it."""
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def undisturbed(*words: object, said: Path) -> float:
    """Run a command to its end; the time that it takes. [s]"""
    start_s = time.monotonic()
    code = ended(begun(*words, said=said))
    assert code == 0, (code, said.read_text())
    return time.monotonic() - start_s


def struck(draw: random.Random, lasts_s: float, number: signal.Signals, *words: object, said: Path) -> int:
    """Run a command and send it a signal at a random time; how it ended."""
    child = begun(*words, said=said)
    time.sleep(draw.uniform(0.0, lasts_s))
    os.kill(child, number)  # until it is waited for, its number is nobody else's
    return ended(child)


def kill_builds(count: int, draw: random.Random, folder: Path, number: signal.Signals = signal.SIGKILL) -> None:
    """Two jobs build into one folder, and are ended again and again."""
    jobs, whole, said, out = [], [], folder / "said", folder / "out"
    for place, error_ppb in enumerate((5.0, 20.0)):
        home = folder / str(place)
        home.mkdir()
        (home / "log.csv").write_text(sweep_log())
        jobs.append(job_of(home, run=EASY.format(error_ppb)))
        undisturbed("build", jobs[-1], "--into", home / "out", said=said)
        whole.append(contents(home / "out"))
    assert whole[0].keys() == whole[1].keys()
    assert whole[0]["table.json"] != whole[1]["table.json"]
    lasts_s = undisturbed("build", jobs[1], "--into", out, said=said)
    met, hidden, done, late = Counter[int](), 0, 0, 0
    while done < count:
        which = draw.randrange(2)
        code = struck(draw, lasts_s, number, "build", jobs[which], "--into", out, said=said)
        found = contents(out)
        for name, content in found.items():
            assert content in (whole[0][name], whole[1][name]), (name, code)
        if code == 0:
            late += 1
            continue
        check_end(code, number, said.read_text())
        done += 1
        hidden += sum(path.name.startswith(".") for path in out.glob(".*"))
        met[sum(found.get(name) == content for name, content in whole[which].items())] += 1
        if done % ROUNDS == 0:
            lasts_s = undisturbed("build", jobs[which], "--into", out, said=said)
            assert contents(out) == whole[which]
            assert not list(out.glob(".*")), "what a kill left is tidied"
            if draw.random() < 0.5:
                shutil.rmtree(out)
    print(f"{done} ended, {late} came too late, {hidden} times something hidden was left; each file whole")
    print("files of the build that was ended, and how often:", dict(sorted(met.items())))


def check_end(code: int, number: signal.Signals, said: str) -> None:
    """A kill says nothing; Ctrl-C one sentence, with the code that a shell sees as 130."""
    if number == signal.SIGKILL:
        assert code == -signal.SIGKILL, (code, said)
        return
    assert code in (130, -signal.SIGINT), (code, said)
    assert "Traceback" not in said, said
    assert said.splitlines()[-1].startswith("Stopped: "), said


def kill_retrims(count: int, draw: random.Random, folder: Path) -> None:
    """Trims that are killed, and given again: the history only grows, and nothing is half of one base and half of another."""
    said, out, history = folder / "said", folder / "job.out", folder / "job.history.csv"
    (folder / "log.csv").write_text(sweep_log())
    job = job_of(folder, run=EASY.format(20.0))
    undisturbed("build", job, "--into", out, said=said)
    lasts_s, done, late, entered = 5.0, 0, 0, 0
    while done < count:
        day, hour = divmod(done + late, 24)
        words = (
            "retrim", out, "--at", f"23.5 degC, {3 * (done % 7)} ppb, 5 ppb", "--accept", "--job", job,
            "--time", f"2026-03-{1 + day:02d}T{hour:02d}:00Z",
        )  # fmt: skip
        before, log = contents(out), history.read_bytes() if history.exists() else b""
        code = struck(draw, lasts_s, signal.SIGKILL, *words, said=said)
        after, grown = contents(out), history.read_bytes() if history.exists() else b""
        assert grown.startswith(log)
        late += code == 0
        done += code != 0
        assert code in (0, -signal.SIGKILL), said.read_text()
        if grown == log or not grown.endswith(b"\n"):
            lasts_s = undisturbed(*words, said=said)
        else:
            entered += code != 0
        now = contents(out)
        assert after.keys() == now.keys()
        assert all(content in (before[name], now[name]) for name, content in after.items())
        assert history.read_bytes().startswith(log)
    lines = history.read_text().splitlines()
    print(
        f"{done} killed, {late} came too late, {entered} times the entry was already made; {len(lines)} lines of history"
    )


def kill_lots(count: int, draw: random.Random, folder: Path) -> None:
    """Lots on two processes that are killed: a unit is there whole or not at all, and no worker lives on."""
    out, whole = folder / "out", {}
    (folder / "logs").mkdir()
    for unit in range(12):
        (folder / "logs" / f"{unit:02d}.csv").write_text(log_text(unit))
    (folder / "lot.toml").write_text(LOT + JOB)
    command = [sys.executable, "-m", "tcomp", "lot", str(folder / "lot.toml"), "--into", str(out), "--workers", "2"]

    def finished() -> float:
        start_s = time.monotonic()
        subprocess.run(command, check=True, capture_output=True)
        return time.monotonic() - start_s

    lasts_s, done, late, met = finished(), 0, 0, Counter[int]()
    whole = contents(out)
    shutil.rmtree(out)
    while done < count:
        with subprocess.Popen(command, stdout=-3, stderr=-3, start_new_session=True) as process:
            time.sleep(draw.uniform(0.0, lasts_s))
            process.kill()
        found = contents(out)
        assert found.items() <= whole.items()
        late += process.returncode == 0
        done += process.returncode != 0
        check_gone(process.pid)
        met[len({name.split("/")[0] for name in found if "/" in name})] += 1
        if done % ROUNDS == 0:
            finished()
            assert contents(out) == whole
            assert not list(out.glob(".*"))
            shutil.rmtree(out)
    print(f"{done} killed, {late} came too late; units that were there, and how often: {dict(sorted(met.items()))}")


def check_gone(group: int) -> None:
    """Nothing of a killed process group lives on."""
    until_s = time.monotonic() + GONE_S
    while True:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return
        alive = subprocess.run(
            ["ps", "-o", "pid,etime,args", "-g", str(group)], capture_output=True, text=True, check=False
        )
        assert time.monotonic() < until_s, f"a worker outlives its lot:\n{alive.stdout}"
        time.sleep(0.05)


def interrupt_builds(count: int, draw: random.Random, folder: Path) -> None:
    """As `kill_builds`, by Ctrl-C."""
    kill_builds(count, draw, folder, signal.SIGINT)


SAFE_S, ROW_S, END_S, TRY_S = 2.0, 2.0, 3.0, 6.0
"""What is asked: safe after a fault, a row on the disk, the end after SIGTERM; and safe after a controller is back: a try of two
echoes of 2 s each may just have begun. `BUSY=4` gives a machine that has much else to do four times that. [s]"""
BUSY = float(os.environ.get("BUSY", "1"))


def driven(folder: Path, case: int, way: str) -> Bench:
    """A chamber that is driven up to 40 degC, whose view goes to a terminal or a full pipe that nobody reads."""
    home = folder / str(case)
    home.mkdir()
    bench = Bench(home)
    bench.start(way)
    until(bench.is_driven, "the ramp is driven")
    return bench


def stopped(bench: Bench, code: int) -> float:
    """End the log by SIGTERM; how long that took. [s]"""
    assert bench.process is not None
    process = bench.process
    process.send_signal(signal.SIGTERM)
    took_s = until(lambda: process.poll() is not None, "the end", BUSY * END_S)
    assert process.returncode == code, process.returncode
    assert "end: ended by SIGTERM\n" in bench.log
    return took_s


def stuck_views(count: int, draw: random.Random, folder: Path) -> None:
    """Nobody reads the view, and the sensor is lost: rows, the safe set-point and the end come in time."""
    took: dict[str, list[float]] = {"row": [], "safe": [], "end": []}
    for case in range(count):
        bench = driven(folder, case, ("terminal", "pipe")[case % 2])
        try:
            time.sleep(draw.uniform(0.0, 6.0))
            sent_s = bench.sent_s[-1]
            took["row"].append(until(lambda at=sent_s, of=bench: of.rows_s()[-1] >= at, "a row", BUSY * ROW_S))
            bench.board.unplug()
            last_s = bench.sent_s[-1]
            until(lambda of=bench: of.set_points[-1][1] == 20.0, "safe", SENSOR_LOST_S + BUSY * SAFE_S)
            took["safe"].append(
                next(at for at, c in bench.set_points if at > last_s and c == 20.0) - last_s - SENSOR_LOST_S
            )
            took["end"].append(stopped(bench, 1))
        finally:
            bench.close()
    for what, seconds in took.items():
        print(f"{what}: {len(seconds)} times, after {max(seconds):.2f} s at most")


def unplugs(count: int, draw: random.Random, folder: Path) -> None:
    """The controller is unplugged, for a time, and the sensor is lost meanwhile: safe when it is back, however late."""
    after: list[float] = []
    alarms = 0
    for case in range(count):
        bench = driven(folder, case, ("terminal", "pipe")[case % 2])
        try:
            bench.controller.unplug()
            bench.board.unplug()
            time.sleep(SENSOR_LOST_S + draw.uniform(0.0, 16.0))
            assert bench.set_points[-1][1] == 40.0
            bench.controller.plug()
            after.append(until(lambda of=bench: of.set_points[-1][1] == 20.0, "safe when it is back", BUSY * TRY_S))
            until(lambda of=bench: "safe: the set-point is 20 degC, confirmed" in of.log, "said", BUSY * SAFE_S)
            alarm = "alarm: THE SAFE SET-POINT IS NOT CONFIRMED" in bench.log
            alarms += alarm
            stopped(bench, 3 if alarm else 1)
        finally:
            bench.close()
    print(f"{count} unplugged, {alarms} with an alarm; safe {max(after):.2f} s after they were back at most")


def runaways(count: int, draw: random.Random, folder: Path) -> None:
    """A controller confirms everything and heats on: the alarm is raised, and the watchdog file grows old and is not deleted."""
    after: list[float] = []
    for case in range(count):
        bench = driven(folder, case, ("terminal", "pipe")[case % 2])
        try:
            began_s, rate = time.time(), draw.uniform(2.0, 6.0)
            bench.temperature_c = lambda since=began_s, slope=rate: 40.0 + slope * (time.time() - since)
            hot_s = began_s + (63.0 - 40.0) / rate
            until(lambda of=bench: of.set_points[-1][1] == 20.0, "safe", hot_s - time.time() + BUSY * SAFE_S)
            after.append(time.time() - hot_s)
            until(lambda of=bench: "alarm: THE TEMPERATURE RISES" in of.log, "the alarm", 3.0 / rate + BUSY * SAFE_S)
            until((bench.folder / "alarm").exists, "the command at an alarm", BUSY * SAFE_S)
            alive = bench.folder / "alive"
            assert alive.stat().st_mtime < hot_s + BUSY * SAFE_S
            touched_s = alive.stat().st_mtime
            time.sleep(1.5)
            assert alive.stat().st_mtime == touched_s
            stopped(bench, 3)
            assert alive.stat().st_mtime == touched_s
        finally:
            bench.close()
    print(
        f"{count} ran away, each with an alarm and exit code 3; safe was sent {max(after):.2f} s after the limit at most"
    )


WAYS: dict[str, Callable[[int, random.Random, Path], None]] = {
    "build": kill_builds, "interrupt": interrupt_builds, "retrim": kill_retrims, "lot": kill_lots, "stuck-view": stuck_views,
    "unplug": unplugs, "runaway": runaways,
}  # fmt: skip


LIBRARIES = ("jinja2", "matplotlib.figure", "pandas", "pyarrow.parquet", "scipy.stats", "sklearn.linear_model")
ROOMS = ("curve.learn", "verdict.verdict", "report.page", "report.drawing", "run.log_file", "maintenance", "workflow")


def load() -> None:
    """Load what the commands need, so that most of a command's time is work."""
    for name in (*LIBRARIES, "tcomp.cli", *(f"tcomp.{room}" for room in ROOMS)):
        import_module(name)


def main() -> None:
    """Kill as the words ask."""
    way, count, seed = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 1
    load()
    with tempfile.TemporaryDirectory() as folder:
        WAYS[way](count, random.Random(seed), Path(folder))


if __name__ == "__main__":
    main()
