"""From a reading to a decision on a rod and a set."""
