"""Benchmarks: ours against a reference, side by side in one run, as ratios."""
