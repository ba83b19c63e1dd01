"""The cell with real parts: circuits and their files, the nodal solution, mismatch, findings."""
