"""Many oscillators of one kind: one job for all, a folder of results for each, and what they are like together.

`lot/unit_work.py` is all that a worker runs: it fills in the template, asks whether `unit.json` (written last; a digest of
version, wishes, job text and the bytes of the logs) still fits, builds into `OUT/.begun/`, and puts the folder in its place by
a rename, so that a unit is there whole or not at all. `workers.py` hands tasks to joblib or to Dask, which schedule; what
crosses is the task and its outcome, half a kilobyte and a tenth of one, and all else goes through the file system. Nothing of
who did the work, or in which order, is left in an output.

`new_unit.py` is the other way round: a unit fitted with what the lot teaches, from a few soaks, or from a sweep of its own where
the lot tells lag, response and loop (`estimation/lot_effects.py`).

A unit is odd if the others do not predict it. With five units for each figure (terms of the curve in one Chebyshev basis,
logarithm of the held-out RMS) that is the distance of `estimation/prior.py`; with fewer, the largest deviation from the median in
robust spreads, against drawn lots of the same size. Either takes a sound unit for odd with a chance of at most 0.001, which
`tests/test_lot_figures.py` counts. What a lot does not share in range is not compared: units whose curve ends early are
named as such, and do not count as meeting the need.
"""
