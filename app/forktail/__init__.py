"""Forktail: see, try and check how steering a tail current multiplies two signals."""

__version__ = "0.1.0"
