"""Write a sample: python -m tcomp.simulation NAME FOLDER."""

from __future__ import annotations

import sys
from pathlib import Path

from tcomp.errors import TcompError
from tcomp.simulation.sample_files import SAMPLES, write_sample


def main(arguments: list[str]) -> int:
    """Write the sample and print what was written; 0 done, 2 bad input."""
    if len(arguments) != 2:
        print(f"usage: python -m tcomp.simulation NAME FOLDER; NAME: {' or '.join(SAMPLES)}", file=sys.stderr)
        return 2
    try:
        for path in write_sample(arguments[0], Path(arguments[1])):
            print(path)
    except TcompError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
