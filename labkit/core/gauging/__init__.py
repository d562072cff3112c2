"""Instruments, gauge pins and ways of measuring a rod."""
