"""Shows results, computes none.

`report.html`, `lot.html` and the live page are made of the same parts (`report/pages/parts.html`, `page.css`). A section
(`section.py`) holds texts, grids and charts; a `Chart` is data alone: panels of series, bands and levels, with the question
that is its heading. `drawing` makes paths and labels of it, which the template puts into SVG that stretches with the page;
`chart_data` gives the same chart as JSON to `explore.js`, which puts uPlot in its place as it comes into view. A new chart
needs a function that gives a `Chart`. On paper and without scripts the drawing stands.

- Why not the drawing library of `--plot`: it takes a tenth of a second for a picture, more than a second for a page, which
  was a third of a build. What a page needs of it are paths and round numbers.
- Why uPlot 1.6.32 (MIT; `uPlot.iife.min.js` and `uPlot.min.css` as published in its npm package, held by SHA-256 in
  `tests/test_report.py`): 51 kB, no `eval`, draws thousands of points in milliseconds, and sets no style that a strict
  policy forbids. To take another version, put its files there, and its digest into the test.
- The page's policy allows its style sheet and two scripts by their digests and nothing else; data is JSON without `<`.
- Series differ by mark or dash, not by colour alone. Colours stand in `page.css` once for light and once for dark, with a
  contrast of 3 and more; `tests/test_report_charts.py` reckons it.
- `thinned` leaves out points, never the least and the largest of a stretch.
"""
