"""How Sphinx builds these pages: `sphinx-build -W docs docs/build`, every warning an error."""

from __future__ import annotations

import sys
from pathlib import Path

import tcomp

sys.path.insert(0, str(Path(__file__).parent / "extensions"))

project = "tcomp"
author = "the tcomp contributors"
project_copyright = "%Y, the tcomp contributors"
version = release = tcomp.__version__

extensions = [
    "myst_parser",  # pages are Markdown
    "sphinx.ext.autodoc",  # the Python names, from their docstrings
    "sphinx.ext.napoleon",  # which are written in numpy's form
    "mathml",  # formulas without a script
    "declared",  # options of a command and keys of the job file, from the program itself
]
exclude_patterns = ["build"]
smartquotes = False  # quotes are to be typed as they stand
# `$...$` and `$$...$$` for formulas, `:::` for remarks, and a term above its meaning in a list.
myst_enable_extensions = ["amsmath", "colon_fence", "deflist", "dollarmath"]
myst_heading_anchors = 4
autodoc_typehints = "signature"

html_math_renderer = "mathml"
html_theme = "furo"
html_title = f"tcomp {version}"
html_copy_source = False
html_show_sphinx = False
