"""The crystal with its table weighed against what could be bought.

An `Option` is a list of `Contribution`s, from which its budget, its Monte Carlo draws and its service life all follow, so that
none can forget a line
(`docs/method.md`). Moments are drawn alike over the switched-on time; budget and drawing begin when an oven is warm, shares of time
count its warming up. Each contribution draws from a generator named after it, so that options that share one are compared on the
same draws.

What a job leaves out comes from `typical.csv`; such a contribution is `assumed`, names the measurement that would tell it, and
the verdict is not decidable where it would turn with half the figure or with `at_most` times it. A drift found in runs that
are short against the time from trim to trim is not extrapolated: the typical figure stands, and may be as large as the drift.
"""
