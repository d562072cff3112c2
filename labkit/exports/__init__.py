"""Writes STEP, STL and 3MF, measures the written files, and lays down the set folder."""
