"""Build jobs: rods of many cases on the beds of one process."""
