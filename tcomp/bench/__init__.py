"""The bench: instruments are read, a log that reports what it lost is written, a chamber is driven, a run is shown.

Others use `session.Session` with its `SessionOptions`, which returns a `tcomp.documents.log.LogDocument`, and the views'
`live.View`, `live.Event` and `monitor.RunState`.

`links` send and receive lines, `line` makes numbers of them in the unit of the log, `instruments` asks and waits, with a thread for
each source and one queue. Behind the queue all is one thread: `recorder` judges a sample plausible or a fault, hands it to
`log_file`, and writes the rows that `rows` completes; `session` moves `schedule` (the plan) and `chamber` on, and shows a
`RunState`, of plain figures, to views in `report/`. `monitor` keeps what the views need, in memory that does not grow.
`simulated` is a feed and a clock of its own: no threads, so that the same job gives the same bytes.

- A link that breaks raises `GoneError`, and the feed opens it again; a line of no use is a `Fault`, counted by kind.
- A run has four kinds of threads: one for each source, one that makes and writes rows, one that supervises the chamber, one for
  each view. The caller's only waits, so that signals are handled whatever is stuck. Samples go to the supervisor before they go
  to the log (`Feed.on_arrival`), and its events to views and commands before they are written (`Recorder.note`).
- `chamber.Supervisor` is a state machine (driving, unconfirmed, safe) with a clock that is handed in. `observe`, `request`,
  `give_up` and `finish` leave a word; all that waits for the controller happens in `step`. On a simulated bench (`Feed.lockstep`)
  `step` is called between samples, so that the same input gives the same bytes.
- The end is safe first: `finish` is called by the signal itself, before anything is closed.
- What a command prints while a chamber is driven goes through `cli.terminal.direct`: the end of the program waits for the lock of
  Python's own streams.
- `schedule.estimate_drift`: a line, the chamber's hunting beside it, and an uncertainty by the initial positive sequence of the
  residuals' correlation; judged on the latter half of a soak, against what may drift while it is averaged.
- Faults are planted over real transports (`tests/bench_instruments.py`): pseudo-terminals, a socket, pipes, simulated VISA.
  `tests/chamber_world.py` is a chamber with its cable on a simulated clock: a new fault of theirs is a word in `FAULTS`.
"""
