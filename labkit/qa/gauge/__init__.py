"""Gauge studies: how much of a reading is the gauge."""
