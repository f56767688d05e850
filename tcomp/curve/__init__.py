"""What the crystal saw: lag, ageing and hysteresis taken off, and the curve that is left."""
