"""The C held against the specification: compiled, run at every code, compared as integers."""

from tcomp.proof.bit_exact import Proof, prove
from tcomp.proof.compilers import Compiler, find_compilers, first_compiler

__all__ = ["Compiler", "Proof", "find_compilers", "first_compiler", "prove"]
