"""What each word means that the tool prints: one entry for a thing, found by any of its names."""

from __future__ import annotations

from tcomp.glossary.columns import Column, columns
from tcomp.glossary.explain import Explanation, explanations, known_words
from tcomp.glossary.terms import Term, plain, terms

__all__ = ["Column", "Explanation", "Term", "columns", "explanations", "known_words", "plain", "terms"]
