"""What adds to the error of a corrected reading, and how much: contributions, their distributions, the base over time."""
