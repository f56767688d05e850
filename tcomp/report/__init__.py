"""Shows results, computes none."""
