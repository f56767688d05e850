"""The names that `tcomp` loads when they are first used, and their types."""

from . import workflow as workflow
from .api import export as export
from .api import fit as fit
from .api import table as table
from .documents.proof import ProofDocument as ProofDocument
from .errors import TcompError as TcompError
from .estimation.crystal_regressor import CrystalRegressor as CrystalRegressor
from .estimation.curve import Curve as Curve
from .estimation.curve import read_curve as read_curve
from .estimation.effects import Ageing as Ageing
from .estimation.effects import Hysteresis as Hysteresis
from .estimation.effects import Lag as Lag
from .estimation.fit_result import FitResult as FitResult
from .estimation.validation import Validation as Validation
from .frames import curve_frame as curve_frame
from .frames import samples_frame as samples_frame
from .frames import scores_frame as scores_frame
from .frames import table_frame as table_frame
from .job.reader import read_job as read_job
from .job.reader import read_job_text as read_job_text
from .job.sections import Job as Job
from .logs.inspection import Survey as Survey
from .logs.prepared import PreparedRun as PreparedRun
from .logs.prepared import prepare_frames as prepare_frames
from .logs.prepared import prepare_runs as prepare_runs
from .maintenance import retrim as retrim
from .planning.plan import PlanResult as PlanResult
from .planning.plan import plan as plan
from .proof.host import prove as prove
from .results import Folder as Folder
from .tables.layout import CorrectionTable as CorrectionTable
from .tables.table_file import read_table as read_table
from .upkeep.apply import corrected as corrected
from .upkeep.check import CheckResult as CheckResult
from .upkeep.check import check as check
from .upkeep.point import Point as Point
from .upkeep.retrim import RetrimResult as RetrimResult
from .verdict.verdict import Verdict as Verdict
from .verdict.verdict import judge as judge
from .workflow import BuildResult as BuildResult
from .workflow import build as build

__version__: str
