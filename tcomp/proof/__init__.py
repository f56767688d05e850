"""The C held against the specification: compiled, run at every code, compared as integers."""

from tcomp.proof.bit_exact import Proof, prove
from tcomp.proof.compilers import Compiler, find_compilers, first_compiler
from tcomp.proof.image_exact import ImageProof, prove_image
from tcomp.proof.targets import TargetProof, asked_targets, prove_target

__all__ = [
    "Compiler",
    "ImageProof",
    "Proof",
    "TargetProof",
    "asked_targets",
    "find_compilers",
    "first_compiler",
    "prove",
    "prove_image",
    "prove_target",
]
