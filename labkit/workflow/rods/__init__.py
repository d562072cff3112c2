"""Rods in between, replacements and the trial fit."""
