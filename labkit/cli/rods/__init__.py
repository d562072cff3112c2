"""Commands about single rods and the trial fit."""
