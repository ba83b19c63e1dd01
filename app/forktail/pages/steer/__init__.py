"""Steer: where the tail current goes."""
