"""``python -m tcomp``, and the command ``tcomp``."""

from __future__ import annotations

import sys


def run() -> None:
    """Run the command line; Ctrl-C while it is being loaded is as orderly as later."""
    try:
        from tcomp.cli import main

        main()
    except KeyboardInterrupt:
        sys.stderr.write("Stopped: nothing was begun\n")
        sys.exit(130)


if __name__ == "__main__":
    run()
