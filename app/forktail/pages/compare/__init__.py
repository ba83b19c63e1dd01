"""Compare: a scope capture beside the prediction."""
