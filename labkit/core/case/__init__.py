"""A case over time: rods in circulation, the trial fit, rods in between."""
