"""A scope capture: read, aligned, fitted, and what explains its difference from a prediction."""
