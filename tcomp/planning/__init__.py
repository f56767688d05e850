"""A schedule for the chamber before it is run, and the uncertainty to expect from it.

`assumptions` collects what is known or guessed of the board, each guess with a sentence; `requirements` makes the need a budget;
`averaging` has the noise and the gate; `schedule` lays visits out in time; `prediction` predicts the uncertainty that they give.
A schedule begins at the end that is reached from the room in the same direction first and last, so that the two visits
differ by ageing alone. Flicker noise and the sensor's steps enter by the sandwich, as least squares does not weigh them. `soaks`
(`--after`) works on the covariance of `curve.json`; the base of the new run is free unless `[oscillator] retrace_ppb` is given.

The prediction is compared with simulated schedules in `tests/test_planning_prediction.py`, and against the whole of
`tcomp build` in `benchmarks/schedule.py`. It leaves one thing out: `build` takes an effect
within three of its standard uncertainties for none, and the curve is then off by as much as that effect moves it.
"""
