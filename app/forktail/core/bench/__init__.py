"""The bench plan: what to measure on a board, in order, and what each fault would show."""
