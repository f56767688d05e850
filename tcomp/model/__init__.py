"""Offset against temperature, as scikit-learn estimators on plain arrays."""
