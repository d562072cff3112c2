"""Process data, calibration and drift."""
