"""Measuring written files, by code that shares nothing with the builder."""
