"""Drives, spectra and sound."""
