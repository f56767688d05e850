"""A log becomes a clean run: what was read, what was dropped and why, and its legs."""

from tcomp.logs.cleaning import clean_run
from tcomp.logs.legs import Coverage, Leg, coverage, cut_legs, sweep_of_sample
from tcomp.logs.log_file import read_run
from tcomp.logs.prepared import PreparedRun, clean_frame, from_clean_frame, prepare_frames, prepare_runs
from tcomp.logs.record import CleanRun, Gap, RawRun, frame_of

__all__ = [
    "CleanRun", "Coverage", "Gap", "Leg", "PreparedRun", "RawRun", "clean_frame", "clean_run", "coverage",
    "cut_legs", "frame_of", "from_clean_frame", "prepare_frames", "prepare_runs", "read_run", "sweep_of_sample",
]  # fmt: skip
