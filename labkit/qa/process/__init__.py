"""What a process does: capability, charts, calibration, drift."""
