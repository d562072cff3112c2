"""Turns checked rod values into boundary-representation solids."""
