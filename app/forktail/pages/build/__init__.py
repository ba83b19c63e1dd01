"""Build: a circuit of real parts, its voltages, findings, faults and mismatch."""
