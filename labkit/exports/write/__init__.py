"""Solids → STEP, STL, 3MF, and the set's folder."""
