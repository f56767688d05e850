"""``python -m tcomp``."""

from tcomp.cli import main

main()
