"""What `tcomp log` takes and how late it is: two boards at pseudo-terminals, 500 lines a second each.

PYTHONPATH=. python benchmarks/logging_rate.py [SECONDS]
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from bench_instruments import PtyBoard, job_text

from tcomp.bench.clock import unix_s

PERIOD_S = 0.002


class Numbered:
    """Sends numbers at its rate, however long a sleep takes, and remembers when each was sent."""

    def __init__(self, base: float) -> None:
        self._base, self._began_s = base, time.monotonic()
        self.sent_s: list[float] = []

    def __call__(self, _: str) -> bytes:
        now_s = time.monotonic()
        due = int((now_s - self._began_s) / PERIOD_S) - len(self.sent_s)
        lines = []
        for _ in range(max(due, 0)):
            self.sent_s.append(now_s)
            lines.append(f"{self._base + len(self.sent_s) * 1e-3:.3f}\n")
        return "".join(lines).encode()


def source(name: str, gives: str, port: Path) -> str:
    return f'[[source]]\nname = "{name}"\nkind = "serial"\nport = "{port}"\ngives = "{gives}"\n'


def main(seconds: float) -> None:
    folder = Path(tempfile.mkdtemp())
    probe, counter = Numbered(20.0), Numbered(12_800_000.0)
    ports = [PtyBoard(folder / "probe", probe, PERIOD_S), PtyBoard(folder / "counter", counter, PERIOD_S)]
    (folder / "job.toml").write_text(
        job_text(source("probe", "temperature", folder / "probe") + source("counter", "frequency", folder / "counter"))
    )
    log, page = folder / "job.log.csv", folder / "page.html"
    began_s = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-m", "tcomp", "log", str(folder / "job.toml"), "--live", str(page), "--json", "--quiet"],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    while not (log.exists() and b"\n#. " in log.read_bytes()):
        time.sleep(0.005)
    first_s = time.monotonic() - began_s
    time.sleep(2.0)  # what is loaded once is loaded
    behind_s, cpu = watch(process.pid, page, counter, seconds)
    process.send_signal(signal.SIGINT)
    outcome = json.loads(process.communicate()[0])
    for port in ports:
        port.unplug()
    lost = {name: holes(log.read_text(), name) for name in ("probe", "counter")}
    rate = sum(map(samples_per_s, (log.read_text(),) * 2, ("probe", "counter")))
    print(f"start to first sample [s]          {first_s:.2f}")
    print(f"samples per second                 {rate:.0f}")
    print(f"samples lost                       {lost}, faults {outcome['faults']}")
    print(f"share of one core [%]              {100 * cpu:.1f}")
    print(f"view behind, worst / median [s]    {max(behind_s):.2f} / {sorted(behind_s)[len(behind_s) // 2]:.2f}")
    print(f"load of the machine                {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


def watch(process: int, page: Path, counter: Numbered, seconds: float) -> tuple[list[float], float]:
    """How old the first sample is that a page does not show yet, just before the next page comes; and the CPU share."""
    before_s, began_s = cpu_s(process), time.monotonic()
    behind_s, stamp, shown = [], 0, -1
    while time.monotonic() - began_s < seconds:
        now = page.stat().st_mtime_ns
        if now != stamp:
            stamp, came_s = now, time.monotonic()
            found = re.search(r"frequency (128\d+\.?\d*)", page.read_text())
            if shown > 0:
                behind_s.append(came_s - counter.sent_s[shown])
            shown = round((float(found[1]) - 12_800_000.0) * 1e3)
        time.sleep(0.005)
    return behind_s, (cpu_s(process) - before_s) / (time.monotonic() - began_s)


def cpu_s(process: int) -> float:
    """What a process has taken so far, for itself and in the system (proc_pid_stat(5), fields 14 and 15). [s]"""
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def samples_per_s(text: str, name: str) -> float:
    """Of one source, by the stamps of its samples."""
    stamps = re.findall(rf"^#\. (\S+) {name} ", text, flags=re.M)
    return (len(stamps) - 1) / (unix_s(stamps[-1]) - unix_s(stamps[0]))


def holes(text: str, name: str) -> int:
    """Numbers that lack between the first and the last."""
    found = [round(float(value) * 1e3) for value in re.findall(rf"^#\. \S+ {name} \w+=(\S+)", text, flags=re.M)]
    return found[-1] - found[0] + 1 - len(found)


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 20.0)
