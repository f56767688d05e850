"""The types of the names that `tcomp` opens when they are asked for."""

from tcomp.curve.curve import Curve as Curve
from tcomp.curve.curve import read_curve as read_curve
from tcomp.curve.learn import Learnt as Learnt
from tcomp.curve.validation import Validation as Validation
from tcomp.decision.apply import corrected as corrected
from tcomp.decision.check import Checked as Checked
from tcomp.decision.check import check as check
from tcomp.decision.plan import Planned as Planned
from tcomp.decision.plan import plan as plan
from tcomp.decision.point import Point as Point
from tcomp.decision.retrim import Retrim as Retrim
from tcomp.decision.verdict import Verdict as Verdict
from tcomp.decision.verdict import judge as judge
from tcomp.errors import TcompError as TcompError
from tcomp.frames import curve_frame as curve_frame
from tcomp.frames import samples_frame as samples_frame
from tcomp.frames import scores_frame as scores_frame
from tcomp.frames import table_frame as table_frame
from tcomp.job.reader import read_job as read_job
from tcomp.job.reader import read_job_text as read_job_text
from tcomp.job.sections import Job as Job
from tcomp.model.crystal import CubicCrystal as CubicCrystal
from tcomp.model.crystal import ParabolaCrystal as ParabolaCrystal
from tcomp.model.polynomial import PolynomialCurve as PolynomialCurve
from tcomp.model.spline import SplineCurve as SplineCurve
from tcomp.proof.bit_exact import Proof as Proof
from tcomp.proof.bit_exact import prove as prove
from tcomp.results import Folder as Folder
from tcomp.run.inspection import Survey as Survey
from tcomp.run.prepared import PreparedRun as PreparedRun
from tcomp.run.prepared import prepare_frames as prepare_frames
from tcomp.run.prepared import prepare_runs as prepare_runs
from tcomp.table.lookup import CorrectionTable as CorrectionTable
from tcomp.table.table_file import read_table as read_table
from tcomp.upkeep import retrim as retrim
from tcomp.workflow import Built as Built
from tcomp.workflow import build as build
from tcomp.workflow import design as design
from tcomp.workflow import export as export
from tcomp.workflow import fit as fit
from tcomp.workflow import survey as survey

__version__: str
