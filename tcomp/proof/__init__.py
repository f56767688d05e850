"""The C held against the specification: compiled, run at every code, compared as integers."""

from tcomp.proof.actuators import prove_actuators
from tcomp.proof.compilers import Compiler, find_compilers, first_compiler
from tcomp.proof.follow import prove_follow_everywhere
from tcomp.proof.host import prove
from tcomp.proof.image import prove_image
from tcomp.proof.targets import asked_targets, prove_target

__all__ = [
    "Compiler",
    "asked_targets",
    "find_compilers",
    "first_compiler",
    "prove",
    "prove_actuators",
    "prove_follow_everywhere",
    "prove_image",
    "prove_target",
]
