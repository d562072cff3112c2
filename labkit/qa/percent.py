"""Probabilities for people; loads nothing, so that quick commands can use it."""

from __future__ import annotations


def chance_told(p: float) -> str:
    """Write the p of a test for people.

    >>> chance_told(0.0312), chance_told(1e-9)
    ('0.031', 'below 0.001')
    """
    return "below 0.001" if p < 0.001 else f"{p:.3f}"


def percent_told(probability: float) -> str:
    """Write a probability for people so that it never looks surer than it is.

    >>> percent_told(0.99998), percent_told(0.9496), percent_told(0.00001)
    ('> 99.9 %', '94.9 %', '< 0.1 %')
    """
    if probability > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if probability < 0.001 else f"{int(probability * 1000) / 10:.1f} %"
