"""Many oscillators of one kind: one job for all, a folder of results for each, and what they are like together."""
