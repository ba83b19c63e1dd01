"""The textbook law: one pair, and the cell that is made of three."""
