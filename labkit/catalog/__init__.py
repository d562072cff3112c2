"""Reads templates and prescriptions into checked values."""
