"""Charts of measurements and processes, drawn with matplotlib."""
