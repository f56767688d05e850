"""Run `tcomp log` in forks of one process that has everything loaded: a job's path comes in, a process number goes out."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

from tcomp.bench.session import Session, SessionOptions
from tcomp.job import read_job


def main() -> None:
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for them: they are to vanish when they are killed
    for line in sys.stdin:
        process = os.fork()
        if not process:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            Session(read_job(Path(line.strip()), runs_needed=False), SessionOptions(), ()).run()
            os._exit(0)
        print(process, flush=True)


if __name__ == "__main__":
    main()
