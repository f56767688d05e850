"""The C held against the specification: compiled, run at every code, compared as integers."""

from tcomp.proof.bit_exact import Proof, prove
from tcomp.proof.compilers import Compiler, find_compilers, first_compiler
from tcomp.proof.targets import TargetProof, asked_targets, prove_target

__all__ = [
    "Compiler",
    "Proof",
    "TargetProof",
    "asked_targets",
    "find_compilers",
    "first_compiler",
    "prove",
    "prove_target",
]
