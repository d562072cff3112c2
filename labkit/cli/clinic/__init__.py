"""The commands for what clinics fill in and send."""
