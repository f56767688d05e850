"""Before and after: what a curve or a table promises, and whether a fresh run bears it out."""
