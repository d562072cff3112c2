"""Graded lengths: from bite readings and percentages to made lengths."""
