"""Signals: two drives and what the cell makes of them."""
